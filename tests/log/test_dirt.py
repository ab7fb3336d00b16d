"""Every kind of dirt that we could think of, put into a demo log: none crashes, each is named with its place, none loses a row.

Run with -s to see the count, kind by kind; with -m slow for many tries of each and for 2,000 files of random bytes.
"""

import random
import re

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from wearbar import log as logs
from wearbar.log.checks.problems import RULES
from wearbar.log.places import place
from wearbar.log.schema import TABLES

TABLES_USED = (
    "vehicles",
    "odometer",
    "work",
    "fitted",
    "measurements",
    "fuel",
    "use",
    "fixed_costs",
    "defects",
    "certificates",
    "deferrals",
)
BACK = {"odometer-back", "daily-distance"}
NUMBER = {"not-a-number"}
DATE = {"not-a-date"}
ODOMETER = ("odometer", "odometer")


def day(form):
    return lambda old, draw: pd.Timestamp(old).strftime(form)


def put(text):
    return lambda old, draw: text


def digit_twice(old, draw):
    """One digit typed twice, so that the reading is at least six times what it was."""
    return old[0] + old if old[0] != "1" else "9" + old


def years(n):
    return lambda old, draw: f"{int(old[:4]) + n:04d}{old[4:]}"


def times(factor):
    return lambda old, draw: f"{float(old) * factor:g}"


def around(before="", after=""):
    return lambda old, draw: before + old + after


def misspelt(old, draw):
    k = draw(st.integers(0, len(old) - 1))
    return old[:k] + draw(st.sampled_from("qxz7")) + old[k:]


def two_swapped(old, draw):
    """The first digits changed places, where that makes the reading far too large."""
    k = next(i for i in range(len(old) - 1) if old[i + 1] > old[i])
    return old[:k] + old[k + 1] + old[k] + old[k + 2 :]


# kind of dirt: (table, column, how a cell is spoilt, the rules that may name it)
CELLS = {
    "vehicle misspelt": ("fuel", "vehicle", misspelt, {"unknown-vehicle"}),
    "vehicle with a space after it": ("work", "vehicle", around(after=" "), {"unknown-vehicle"}),
    "vehicle in capitals": (
        "odometer",
        "vehicle",
        lambda old, draw: old.swapcase(),
        {"unknown-vehicle"},
    ),
    "vehicle with a zero-width space": (
        "fuel",
        "vehicle",
        around(after="\u200b"),
        {"unknown-vehicle"},
    ),
    "vehicle blank": ("work", "vehicle", put(""), {"required"}),
    "vehicle of spaces": ("work", "vehicle", put("   "), {"required"}),
    "day first, slashes": ("work", "date", day("%d/%m/%Y"), DATE),
    "month first, slashes": ("fuel", "date", day("%m/%d/%Y"), DATE),
    "day first, points": ("odometer", "date", day("%d.%m.%Y"), DATE),
    "month in words": ("work", "date", day("%d %B %Y"), DATE),
    "year of two digits": ("work", "date", day("%y-%m-%d"), DATE),
    "a day that is not in the calendar": (
        "fuel",
        "date",
        lambda old, draw: old[:5] + "02-30",
        DATE,
    ),
    "a month that is not in the calendar": (
        "fuel",
        "date",
        lambda old, draw: old[:5] + "13-01",
        DATE,
    ),
    "a spreadsheet's day number": (
        "work",
        "date",
        lambda old, draw: str((pd.Timestamp(old) - pd.Timestamp("1899-12-30")).days),
        DATE,
    ),
    "a day of words": (
        "work",
        "date",
        lambda old, draw: draw(st.sampled_from(["yesterday", "spring", "?", "n/a"])),
        DATE,
    ),
    "a day blank": ("fuel", "date", put(""), {"required"}),
    "a year long ago": ("fuel", "date", lambda old, draw: "0" + old[1:], {"date-range"}),
    "a year far ahead": ("fuel", "date", lambda old, draw: "9" + old[1:], {"date-range"}),
    "a century early": ("fuel", "date", years(-100), {"before-service"}),
    "years before service": ("work", "date", years(-30), {"before-service"}),
    "a day that has not come": ("fuel", "date", years(40), {"future"}),
    "thousands separated by commas": (
        *ODOMETER,
        lambda old, draw: f"{float(old):,.0f}" if float(old) >= 1000 else "1,000",
        NUMBER,
    ),
    "thousands separated by points and a decimal comma": (*ODOMETER, put("12.340,5"), NUMBER),
    "thousands separated by a space": (*ODOMETER, put("12 340"), NUMBER),
    "a decimal comma": (
        "fuel",
        "volume",
        lambda old, draw: old.replace(".", ",") if "." in old else old + ",0",
        NUMBER,
    ),
    "unit in the cell": (*ODOMETER, around(after=" km"), NUMBER),
    "unit in the cell of a volume": ("fuel", "volume", around(after="L"), NUMBER),
    "currency sign": ("fuel", "cost", around(before="£"), NUMBER),
    "a number in words": (*ODOMETER, put("about twelve thousand"), NUMBER),
    "not a number": (*ODOMETER, put("nan"), NUMBER),
    "endless": ("fuel", "volume", put("1e999"), NUMBER | {"out-of-range"}),
    "letter O for a nought": (*ODOMETER, lambda old, draw: old + "O", NUMBER),
    "digits of another script": ("fuel", "volume", put("٤٢"), NUMBER),
    "a formula": ("fuel", "cost", put("=SUM(A1:A9)"), NUMBER),
    "a negative reading": (*ODOMETER, around(before="-"), {"out-of-range"}),
    "a negative volume": ("fuel", "volume", around(before="-"), {"out-of-range"}),
    "a reading's digit typed twice": (*ODOMETER, digit_twice, BACK),
    "a reading's last digit left out": (*ODOMETER, lambda old, draw: old[:-1], BACK),
    "a reading's digits swapped": (*ODOMETER, two_swapped, BACK),
    "a reading ten times too large": (*ODOMETER, times(10), BACK),
    "a reading in miles among km": (*ODOMETER, times(1 / 1.609344), BACK),
    "a reading of nought": (*ODOMETER, put("0"), BACK),
    "a reading blank": (*ODOMETER, put(""), {"no-value"}),
    "a fill's reading, a digit twice": ("fuel", "odometer", digit_twice, BACK),
    "work's reading, a digit twice": ("work", "odometer", digit_twice, BACK),
    "a measurement's reading, a digit twice": ("measurements", "odometer", digit_twice, BACK),
    "a reading when fitted, a digit twice": ("fitted", "fitted_odometer", digit_twice, BACK),
    "a reading when removed, a digit twice": ("fitted", "removed_odometer", digit_twice, BACK),
    "a fill's decimal point lost": ("fuel", "volume", times(10), {"fill-too-big"}),
    "a fill's decimal point lost twice": ("fuel", "volume", times(100), {"fill-too-big"}),
    "a volume blank": ("fuel", "volume", put(""), {"required"}),
    "a depth's decimal point lost": (
        "measurements",
        "value",
        times(10),
        {"depth-above-new", "depth-slip", "depth-rises"},
    ),
    "a depth far too deep": (
        "measurements",
        "value",
        put("99"),
        {"depth-above-new", "depth-slip", "depth-rises"},
    ),
    "a depth deeper than new when removed": (
        "fitted",
        "removed_depth",
        put("88"),
        {"depth-above-new"},
    ),
    "a quantity without a unit": ("measurements", "quantity", put("play"), {"unit-lacking"}),
    "a code misspelt": ("work", "why", misspelt, {"unknown-code"}),
    "a code blank": ("work", "why", put(""), {"required"}),
    "a task blank": ("work", "task", put(""), {"required"}),
    "a result unknown": ("work", "result", put("so-so"), {"unknown-code"}),
    "a payer unknown": ("work", "paid_by", put("them"), {"unknown-code"}),
    "a reason unknown": ("fitted", "reason", put("bored"), {"unknown-code"}),
    "a fuel unknown": ("fuel", "kind", put("petrel"), {"unknown-code"}),
    "how full unknown": ("fuel", "filled_to", put("brim"), {"unknown-code"}),
    "neither yes nor no": ("fuel", "unrecorded_before", put("maybe"), {"not-yes-no"}),
    "a grade unknown": ("defects", "grade", put("bad"), {"unknown-code"}),
    "a defect's number twice": ("defects", "defect", None, {"repeated-id"}),
    "a vehicle's name twice": ("vehicles", "vehicle", None, {"repeated-id"}),
    "removed before fitted": ("fitted", "removed", put("2019-01-01"), {"ends-first"}),
    "removed on no day": ("fitted", "removed", put("last week"), DATE),
    "fitted on no day": ("fitted", "fitted", put("last week"), DATE),
    "closed before found": ("defects", "closed", put("2001-01-01"), {"ends-first"}),
    "a share in per cent": ("use", "loose", put("35"), {"out-of-range"}),
    "a share below nought": ("use", "dusty", put("-0.1"), {"out-of-range"}),
    "a period that ends first": ("use", "to", years(-2), {"ends-first"}),
    "a period without an end": ("use", "to", put(""), {"required"}),
    "an amount blank": ("fixed_costs", "amount", put(""), {"required"}),
    "an amount of words": ("fixed_costs", "amount", put("a lot"), NUMBER),
    "a certificate without an end": ("certificates", "valid_to", put(""), {"required"}),
    "a kind of vehicle unknown": ("vehicles", "kind", put("hovercraft"), {"unknown-code"}),
    "in service on no day": ("vehicles", "in_service", put("new"), DATE),
    "a meter unknown": ("vehicles", "meter", put("dial"), {"unknown-code"}),
    "a part's category blank": ("fitted", "category", put(""), {"required"}),
    "a control character": ("work", "note", put("a\x07b"), {"invisible"}),
    "text that runs backwards": ("work", "note", put("a\u202eb"), {"invisible"}),
    "a null byte": ("work", "note", put("a\0b"), {"invisible"}),
    "put off, but not what": ("deferrals", "task", None, {"no-value"}),
}
SHOWN_AT = {"a quantity without a unit": "unit"}


def plain(log):
    """The used rows as text, as a person would have typed them without fault."""
    frames = {}
    for name in TABLES_USED:
        frame = log.tables[name].dropna(axis=1, how="all").reset_index(drop=True)
        typed = {
            c: frame[c].dt.strftime("%Y-%m-%d") if frame[c].dtype.kind == "M" else frame[c]
            for c in frame
        }
        text = {
            c: v.map(lambda x: f"{x:.10g}") if v.dtype.kind == "f" else v.astype(object)
            for c, v in typed.items()
        }
        frames[name] = pd.DataFrame(text, dtype=object).replace("nan", "").fillna("").astype(object)
    return frames


@pytest.fixture(scope="module")
def clean():
    log = logs.read_log(place("data", "owner"))
    frames = plain(log)
    header = {
        "distance": "km",
        "volume": "L",
        "depth": "mm",
        "pressure": "bar",
        "currency": "EUR",
        "as_of": log.as_of.date(),
    }
    again = logs.log_of(frames, header, today=log.as_of)
    assert not len(again.set_aside), again.set_aside.to_string()
    return frames, header, keys(again)


def keys(log):
    both = pd.concat([log.set_aside, log.warnings])
    return set(zip(both["table"], both["line"], both["column"], both["rule"], strict=True))


def spoil(frames, kind, draw):
    """The frames with one cell spoilt, and where: (frames, table, line, column, rules)."""
    table, name, change, rules = CELLS[kind]
    frame = frames[table].copy()
    if name not in frame:
        frame[name] = ""
    at = draw(st.sampled_from(candidates(frame, table, name, change, kind)))
    if kind == "put off, but not what":
        frame.loc[at, [c for c in ("task", "defect") if c in frame]] = ""
    elif change is None:
        at = max(at, 1)
        frame.loc[at, name] = frame.loc[0, name]
    else:
        frame.loc[at, name] = change(frame.loc[at, name], draw)
    return frames | {table: frame}, table, at + 2, SHOWN_AT.get(kind, name), rules


def candidates(frame, table, name, change, kind):
    """Rows where the dirt makes sense: the cell is filled, and a reading has others of its vehicle around it and is not a small one."""
    filled = (
        frame.index[frame[name] != ""]
        if name in frame and (frame[name] != "").any()
        else frame.index
    )
    if name.endswith("odometer") and "reading" in kind:
        value = pd.to_numeric(frame[name], errors="coerce")
        rank = (
            pd.to_datetime(frame["date" if "date" in frame else "fitted"])
            .groupby(frame["vehicle"])
            .rank(pct=True)
        )
        filled = frame.index[(value > 1500) & rank.between(0.15, 0.85)]
        if change is two_swapped:
            filled = [
                i for i in filled if re.match(r"\d*?([1-4])(?!\1)[6-9]", frame[name][i][:2])
            ] or filled[:0]
    if table == "measurements" and "depth" in kind:
        filled = frame.index[
            (frame["quantity"] == "depth")
            & (pd.to_numeric(frame["value"], errors="coerce") > 2)
            & (frame["part"] != "")
        ]
    if kind == "removed before fitted":
        filled = frame.index[frame["fitted"] != ""]
    if table == "fitted" and name == "removed_depth":
        filled = frame.index[(frame["new_depth"] != "") & (frame["removed_depth"] != "")]
    if name == "volume" and "lost" in kind:
        volume = pd.to_numeric(frame["volume"])
        filled = frame.index[volume > volume.groupby(frame["vehicle"]).transform("median")]
    return list(filled)


def is_named(log, before, table, line, name, rules):
    return any(
        t == table and n == line and c == name and r in rules for t, n, c, r in keys(log) - before
    )


def accounted(log, frames):
    ledger = log.ledger.set_index("table")
    right = (ledger["read"] == ledger["used"] + ledger["set_aside"] + ledger["after"]).all()
    return right and all(ledger.loc[name, "read"] == len(frame) for name, frame in frames.items())


def apart():
    """The kinds of dirt in lots that one log can have at once: of each table one, and alone what
    changes its other rows: of a vehicle, or a reading."""
    alone, lots = [], []
    for kind, (table, name, *_) in CELLS.items():
        if table == "vehicles" or name.endswith("odometer") or "depth" in kind:
            alone.append([kind])
            continue
        lot = next((lot for lot in lots if table not in lot), None)
        if lot is None:
            lots.append(lot := {})
        lot[table] = kind
    return alone + [list(lot.values()) for lot in lots]


def try_kinds(clean, tries):
    """Counts by kind: (tried, named rightly, rows accounted for)."""
    frames, header, before = clean
    counts = {kind: np.zeros(3, dtype=int) for kind in CELLS}

    @settings(max_examples=tries, suppress_health_check=list(HealthCheck))
    @given(st.data())
    def one(lot, data):
        spoilt, places = frames, {}
        for kind in lot:
            spoilt, *places[kind] = spoil(spoilt, kind, data.draw)
        log = logs.log_of(spoilt, header, today=header["as_of"])
        kept = accounted(log, spoilt)
        for kind, where in places.items():
            counts[kind] += 1, is_named(log, before, *where), kept

    for lot in apart():
        one(lot)
    return {kind: tuple(found.tolist()) for kind, found in counts.items()}


def show(counts):
    print(f"\n{'kind of dirt':52} tried  named  kept")
    for kind, (tried, named, kept) in counts.items():
        print(f"{kind:52} {tried:5}  {named:5}  {kept:4}")
    print(f"{len(counts)} kinds, {sum(c[0] for c in counts.values())} tries")


def test_every_kind_of_dirt_is_named_with_its_place_and_loses_no_row(clean):
    counts = try_kinds(clean, 2)
    show(counts)
    assert len(counts) >= 60
    assert {kind: c for kind, c in counts.items() if not c[0] == c[1] == c[2]} == {}


@pytest.mark.slow
def test_every_kind_of_dirt_many_times(clean):
    counts = try_kinds(clean, 15)
    show(counts)
    assert {kind: c for kind, c in counts.items() if c[0] != c[2]} == {}
    assert sum(c[1] for c in counts.values()) > 0.99 * sum(c[0] for c in counts.values())


def test_a_clean_cell_is_never_named(clean):
    """The dirt is what is named, and but for what follows from it, nothing else."""
    frames, header, before = clean
    spoilt = frames["fuel"].copy()
    spoilt.loc[20, "volume"] = "x"
    log = logs.log_of(frames | {"fuel": spoilt}, header)
    assert keys(log) - before == {("fuel", 22, "volume", "not-a-number")}


class TestRows:
    """Whole rows that are wrong."""

    @pytest.mark.parametrize(
        "table, name, rule",
        [
            ("fuel", "date", "same-reading"),
            ("odometer", "date", "same-reading"),
            ("work", "date", "same-row"),
        ],
    )
    def test_a_row_twice(self, clean, table, name, rule):
        frames, header, before = clean
        twice = pd.concat([frames[table], frames[table].iloc[[7]]], ignore_index=True)
        log = logs.log_of(frames | {table: twice}, header)
        assert is_named(log, before, table, len(twice) + 1, name, {rule})
        assert accounted(log, frames | {table: twice})

    def test_a_part_left_on(self, clean):
        frames, header, before = clean
        fitted = frames["fitted"].copy()
        place_ = fitted.groupby(["vehicle", "position", "category"])["fitted"].rank()
        at = next(
            i
            for i in fitted.index
            if fitted["removed"][i] and place_[i] == 1 and self.another(fitted, i)
        )
        fitted.loc[at, ["removed", "reason", "removed_odometer", "removed_depth"]] = ""
        assert is_named(
            logs.log_of(frames | {"fitted": fitted}, header),
            before,
            "fitted",
            at + 2,
            "removed",
            {"spans-overlap"},
        )

    @staticmethod
    def another(fitted, i):
        same = (
            fitted[["vehicle", "position", "category"]]
            .eq(fitted.loc[i, ["vehicle", "position", "category"]])
            .all(axis=1)
        )
        return (fitted.loc[same, "fitted"] > fitted["fitted"][i]).any()

    def test_a_reason_without_a_removal(self, clean):
        frames, header, before = clean
        fitted = frames["fitted"].copy()
        at = fitted.index[fitted["removed"] == ""][0]
        fitted.loc[at, "reason"] = "worn"
        assert is_named(
            logs.log_of(frames | {"fitted": fitted}, header),
            before,
            "fitted",
            at + 2,
            "reason",
            {"reason-no-removal"},
        )

    def test_a_period_twice_over(self, clean):
        frames, header, before = clean
        use = pd.concat(
            [frames["use"], frames["use"].iloc[[3]].assign(distance="1")], ignore_index=True
        )
        assert is_named(
            logs.log_of(frames | {"use": use}, header),
            before,
            "use",
            len(use) + 1,
            "from",
            {"periods-overlap"},
        )

    def test_work_after_the_vehicle_left(self, clean):
        frames, header, before = clean
        vehicles = frames["vehicles"].assign(disposed=["2025-01-01", ""])
        found = keys(logs.log_of(frames | {"vehicles": vehicles}, header)) - before
        assert {rule for *_, rule in found} == {"after-disposal"}

    def test_one_visit_for_two_vehicles(self, clean):
        frames, header, before = clean
        work = frames["work"].copy()
        other = work.index[work["vehicle"] != work["vehicle"][0]][0]
        work.loc[other, "visit"] = work["visit"][0]
        assert is_named(
            logs.log_of(frames | {"work": work}, header),
            before,
            "work",
            other + 2,
            "visit",
            {"visit-shared"},
        )


def spoilt_bytes(rng, data):
    """A file damaged as files are: bytes changed, cut off, put in, or nothing but noise."""
    way = rng.randrange(5)
    if way == 0:
        return rng.randbytes(rng.randrange(400))
    if way == 1:
        return data[: rng.randrange(len(data))]
    data = bytearray(data)
    for _ in range(rng.randrange(1, 12)):
        at = rng.randrange(len(data))
        if way == 2:
            data[at] = rng.randrange(256)
        elif way == 3:
            data[at:at] = rng.choice(
                [
                    b'"',
                    b",",
                    b"\n",
                    b"\r",
                    b"\0",
                    b"\xff",
                    b"'",
                    b"=",
                    b"\xef\xbb\xbf",
                    b",,,,",
                    b'""',
                ]
            )
        else:
            del data[at : at + rng.randrange(1, 9)]
    return bytes(data)


def read_damaged(tmp_path, tries, seed=1):
    """How many of so many damaged logs were read, and how many refused in a sentence; anything else raises."""
    rng, read, sentences = random.Random(seed), 0, []
    whole = {
        "log.toml": b'distance = "km"\nvolume = "L"\ncurrency = "EUR"\nas_of = 2024-01-01\n',
        "vehicles.csv": b'vehicle,kind,in_service,note\nA,van,2020-01-01,\nB,car,2021-02-03,"a, b"\n',
        "odometer.csv": b"vehicle,date,odometer,hours\n"
        + b"".join(b"A,2022-%02d-01,%d,\n" % (m, 1000 * m) for m in range(1, 13)),
        "fuel.csv": b"vehicle,date,volume,odometer,note\n"
        + b"".join(b'B,2022-%02d-09,4%d.5,%d,"x"\n' % (m, m, 900 * m) for m in range(1, 10)),
    }
    for name, data in whole.items():
        (tmp_path / name).write_bytes(data)
    for k in range(tries):
        name = sorted(whole)[k % 4]
        (tmp_path / name).write_bytes(spoilt_bytes(rng, whole[name]))
        try:
            log = logs.read_log(tmp_path)
            ledger = log.ledger
            assert (ledger["read"] == ledger["used"] + ledger["set_aside"] + ledger["after"]).all()
            assert set(log.set_aside["rule"]) | set(log.warnings["rule"]) <= set(RULES)
            read += 1
        except logs.LogError as error:
            sentences.append(str(error))
        (tmp_path / name).write_bytes(whole[name])
    assert all(s.strip() and "Traceback" not in s for s in sentences)
    return read


def test_damaged_files_are_read_or_refused_in_a_sentence(tmp_path):
    assert 20 < read_damaged(tmp_path, 100) < 100


@pytest.mark.slow
def test_two_thousand_damaged_files(tmp_path):
    read = read_damaged(tmp_path, 2000, seed=2)
    print(f"\n2,000 damaged logs: {read} read, {2000 - read} refused in a sentence")
    assert 400 < read < 2000


def test_every_table_spoilt_is_one_of_the_format():
    assert set(TABLES_USED) <= set(TABLES)
    assert all(rules <= set(RULES) for *_, rules in CELLS.values())
