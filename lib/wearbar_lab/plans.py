"""What `wearbar start` asks, and writes for kinds of vehicle and a country, by
shared/start/says.toml."""

import re

from wearbar.log.places import place, read_toml
from wearbar.log.sources.header import check_header
from wearbar.log.sources.raw import LogError
from wearbar.log.units import DISTANCE_KM

SAYS = read_toml("shared", "start", "says.toml")


def told_of(folder, kind=(), country="", **_):
    """Lines on what `start_log` wrote into the folder."""
    yield SAYS["told"]["folder"].format(folder=folder)
    if kind:
        yield SAYS["told"]["plan"].format(kinds=", ".join(kind))
    if country and "jurisdiction" not in header_of(country=country):
        yield SAYS["told"]["no_limits"].format(country=country.upper())


def answers(ask=input):
    """What a person answers at a terminal, by option of `wearbar start`."""
    given = {"country": ""}
    for name, told in SAYS["ask"].items():
        header = {"distance": "mi"} | header_of(country=given["country"])
        usual = header.get(told.get("usual"), "")
        while True:
            try:
                found = ask(told["asks"].format(usual=usual)).strip() or usual
            except EOFError:
                found = usual
            if re.fullmatch(told["may"], found):
                break
            print(told["again"].format(found=found))
        given[name] = re.split("[, ]+", found) if found and name == "kind" else found
    return given


def header_of(units="", currency="", country=""):
    """Keys of log.toml as usual in a country, but for what is given. LogError: what is wrong."""
    usual, may = {}, SAYS["ask"]["country"]
    if not re.fullmatch(may["may"], country):
        raise LogError(may["again"].format(found=country))
    if country or units == "km":
        *known, other = SAYS["country"]
        named = (one for one in known if country.upper() in one["is"].split())
        usual = next(named, other)["header"]
    given = {"distance": units, "currency": currency.upper()}
    header = usual | {key: value for key, value in given.items() if value}
    check_header(header)
    return header


def plan_text(kinds, unit):
    """The templates of these kinds as one plan.toml, distances in `unit`: from miles rounded down
    to two digits. What has no source is marked as an example; of prices there is none."""
    says, applies = SAYS["plan"], set()
    text = says["head"].lstrip().format(kinds=", ".join(kinds), unit=unit)
    for kind in dict.fromkeys(kinds):
        file = place("shared", "plans", f"{SAYS['kinds'][kind]}.toml")
        body = file.read_text(encoding="utf-8").partition("\n\n")[2]  # below its own head
        line = re.search(r"(?m)^applies_to = .*$", body)[0]
        body = body.replace(line, says["by_column"]) if line in applies else body
        applies.add(line)
        for task in re.split(r"(?m)(?=^\[\[)", f"\n{body}"):
            if "\nsource = " not in task:
                task = re.sub(r"(?m)^action = .*$", rf'\g<0>\nsource = "{says["example"]}"', task)
            text += re.sub(r", price = [\d.]+", "", task)
    return text if unit == "mi" else re.sub(r"(?<=distance = )\d+", _km, text)


def _km(miles):
    km = int(float(miles[0]) * DISTANCE_KM["mi"])
    step = 10 ** (len(str(km)) - 2)
    return str(km // step * step)
