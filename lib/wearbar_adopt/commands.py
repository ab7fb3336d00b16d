"""The command `wearbar adopt`; an entry point tells `wearbar` of it."""

import datetime
from pathlib import Path

from wearbar.pack.parser import command
from wearbar.pack.terminal import print_ledger


@command
def adopt(file, map, out):
    """Turn a CSV file or workbook into a log by a map of its columns; without one, propose it."""
    from wearbar_adopt.convert import convert, keep
    from wearbar_adopt.grids import read_grids
    from wearbar_adopt.maps import read_map
    from wearbar_adopt.propose import propose
    from wearbar_adopt.words import adopted_lines, proposed_lines, record

    stem, grids = Path(file).stem, read_grids(file)
    path, folder = Path(map or f"{stem}.map.toml"), out or f"{stem}-log"
    if not path.exists():
        proposal = propose(grids, stem, today=datetime.date.today())
        path.write_text(proposal.toml, encoding="utf-8")
        print(*proposed_lines(proposal, path), sep="\n")
        return proposal.asks
    adopted = convert(grids, read_map(path))
    log = keep(adopted, folder, record(adopted))
    print(*adopted_lines(adopted, log, folder), "", sep="\n")
    print_ledger(log.ledger[log.ledger["read"] > 0])
    return len(log.set_aside) or not adopted.is_whole
