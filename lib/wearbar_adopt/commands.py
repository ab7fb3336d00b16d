"""The commands `wearbar adopt` and `wearbar descriptor`; an entry point tells `wearbar` of them."""

import datetime
from pathlib import Path

from wearbar.pack.parser import command
from wearbar.pack.terminal import print_ledger


@command
def adopt(file, map, out, yes, plan, **asked):
    """Turn a CSV file or workbook into a log by a map of its columns; without one, propose it. With
    --yes and nothing left to decide, both at once. With --add-to, the rows that a log lacks."""
    from wearbar.log.plan import read_plan
    from wearbar_adopt import free, words
    from wearbar_adopt.add import given_by
    from wearbar_adopt.convert import convert, keep
    from wearbar_adopt.grids import read_grids
    from wearbar_adopt.maps import read_map
    from wearbar_adopt.propose import propose

    stem, grids = Path(file).stem, read_grids(file)
    path, today = Path(map or f"{stem}.map.toml"), datetime.date.today()
    log = words.log_to_add_to(asked.pop("add_to"), out)
    given = {key: value for key, value in asked.items() if value}
    if path.exists():
        words.refuse_answers(given, path)
    elif rows := free.free_text(Path(file), grids):
        print(words.keep_split(rows, Path(f"{stem}.rows.csv")))
        return len(rows)
    else:
        given = (given_by(log) if log else {}) | given | ({"yes": True} if yes else {})
        tasks = read_plan(plan, asked["distance"] or "km") if plan else log and log.plan
        proposal = propose(grids, stem, today=today, given=given, plan=tasks)
        print(*words.keep_map(proposal, path, yes), sep="\n")
        if proposal.asks or not yes:
            return proposal.asks
    adopted = convert(grids, read_map(path))
    if log:
        lines, n = words.add(log, adopted, out, today)
        print(*lines, sep="\n")
        return n
    folder = out or f"{stem}-log"
    log = keep(adopted, folder, words.record(adopted), plan=plan)
    print(*words.adopted_lines(adopted, log, folder), "", sep="\n")
    print_ledger(log.ledger[log.ledger["read"] > 0])
    return len(log.set_aside) or not adopted.is_whole


@command
def descriptor(log, out):
    """Write a Data Package descriptor (datapackage.json) of a log, for other tools to read it."""
    from wearbar_adopt.descriptor import write_descriptor

    print(write_descriptor(log, out))
