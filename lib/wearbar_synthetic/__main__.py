"""Write the demo logs, their truth and the data dictionary: `python -m wearbar_synthetic OUT`."""

import sys

from wearbar_synthetic import write_demo

if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("usage: python -m wearbar_synthetic OUT  (the folder to write into)")
    write_demo(sys.argv[1])
