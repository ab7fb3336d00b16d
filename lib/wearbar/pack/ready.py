"""All that a report's process imports, for a server that such processes are copied from."""

from wearbar.pack import prepared

prepared.complete()
prepared.keep()
