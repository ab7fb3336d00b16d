"""What is true in the synthetic logs: vehicles, use, items, wear, lives, hazards and prices. Distances in km, depths in mm.

Invented figures, for demonstrations and tests alone; no maker's.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from wearbar.log.units import DISTANCE_KM

__all__ = [
    "CHANCES",
    "EFFECTS",
    "FLEET",
    "HISTORY_DAYS",
    "ITEMS",
    "LAWS",
    "NEVER",
    "OWNER",
    "TYPES",
    "Setting",
]

HISTORY_DAYS = 1826  # every vehicle is followed from new, up to five years before the log opens
NEVER = 10**6  # the number of a day that does not come

TYPES = pd.DataFrame(
    [
        # km a year, season, litres/100 km, tank, fuel, price new, share kept a year; repairs: eta years, beta, median, sigma
        (
            "trail-motorcycle",
            "motorcycle",
            "M",
            "trail-motorcycle",
            8600,
            0.45,
            4.1,
            13,
            "petrol",
            5200,
            0.85,
            1.55,
            1.35,
            95,
            0.75,
        ),
        (
            "pickup",
            "pickup",
            "P",
            "pickup",
            15000,
            0.12,
            10.2,
            72,
            "diesel",
            27500,
            0.84,
            1.30,
            1.50,
            190,
            0.85,
        ),
        (
            "van",
            "van",
            "V",
            "van",
            19300,
            0.05,
            9.1,
            68,
            "diesel",
            24800,
            0.81,
            1.40,
            1.55,
            180,
            0.85,
        ),
        (
            "motorcycle-road",
            "motorcycle",
            "B",
            "motorcycle-road",
            6800,
            0.55,
            4.7,
            15,
            "petrol",
            6900,
            0.86,
            2.40,
            1.30,
            90,
            0.70,
        ),
        (
            "car",
            "car",
            "C",
            "car",
            11500,
            0.10,
            6.2,
            42,
            "petrol",
            17200,
            0.83,
            1.90,
            1.50,
            150,
            0.80,
        ),
    ],
    columns=[
        "type",
        "kind",
        "letter",
        "plan",
        "km_per_year",
        "season",
        "l_per_100km",
        "tank_l",
        "fuel",
        "price",
        "kept_share",
        "repair_eta_years",
        "repair_beta",
        "repair_median",
        "repair_sigma",
    ],
).set_index("type")

# wear per km on metalled road is multiplied by 1 + loose x share + mud x share; the same exposure ages air filters and wheel bearings
EFFECTS = pd.DataFrame(
    [
        ("tyre", 1.5, 0.0),
        ("brake-pad", 0.4, 2.0),
        ("chain", 0.8, 1.5),
        ("air-filter", 2.0, 0.0),
        ("wheel-bearing", 0.0, 3.0),
    ],
    columns=["category", "loose", "mud_water"],
).set_index("category")

# rate: mm (chain: % of new) per 1,000 km on metalled road at the quickest place; limit: where the keeper changes it;
# weight: how often chosen; tilt: how much oftener where the going is loose (weight x exp(tilt x (loose share - 0.3)))
_ITEMS = [
    ("trail-motorcycle", "tyre", "rear", "Alder 50/50 rear", 84, 22, 9.0, 2.0, 0.60, 0.35, 1.5),
    ("trail-motorcycle", "tyre", "rear", "Rowan 70/30 rear", 104, 22, 8.5, 2.0, 0.45, 0.35, 0.0),
    ("trail-motorcycle", "tyre", "rear", "Sedge 90/10 rear", 116, 22, 8.0, 2.0, 0.34, 0.30, -1.5),
    ("trail-motorcycle", "tyre", "front", "Alder 50/50 front", 76, 22, 7.5, 2.0, 0.27, 0.5, 1.0),
    ("trail-motorcycle", "tyre", "front", "Rowan 70/30 front", 92, 22, 7.0, 2.0, 0.21, 0.5, -1.0),
    (
        "trail-motorcycle",
        "brake-pad",
        "front",
        "Knot sintered pads",
        28,
        12,
        4.6,
        1.6,
        0.135,
        0.5,
        0.0,
    ),
    (
        "trail-motorcycle",
        "brake-pad",
        "front",
        "Teasel organic pads",
        17,
        12,
        4.6,
        1.6,
        0.21,
        0.5,
        0.0,
    ),
    (
        "trail-motorcycle",
        "brake-pad",
        "rear",
        "Knot sintered pads",
        28,
        12,
        4.6,
        1.6,
        0.15,
        0.5,
        0.0,
    ),
    (
        "trail-motorcycle",
        "brake-pad",
        "rear",
        "Teasel organic pads",
        17,
        12,
        4.6,
        1.6,
        0.23,
        0.5,
        0.0,
    ),
    (
        "trail-motorcycle",
        "chain",
        "drive",
        "Curlew sealed chain",
        88,
        34,
        0.0,
        2.4,
        0.105,
        0.6,
        0.0,
    ),
    ("trail-motorcycle", "chain", "drive", "Curlew plain chain", 41, 34, 0.0, 2.4, 0.20, 0.4, 0.0),
    (
        "trail-motorcycle",
        "air-filter",
        "engine",
        "foam air filter",
        14,
        0,
        np.nan,
        np.nan,
        np.nan,
        1.0,
        0.0,
    ),
    ("pickup", "tyre", "", "Bracken all-terrain", 118, 14, 12.0, 2.5, 0.165, 0.5, 1.0),
    ("pickup", "tyre", "", "Heather mixed", 96, 14, 11.0, 2.5, 0.19, 0.5, -1.0),
    ("pickup", "brake-pad", "", "Dunlin axle set", 62, 38, 11.0, 3.0, 0.17, 1.0, 0.0),
    ("pickup", "air-filter", "engine", "paper air filter", 21, 0, np.nan, np.nan, np.nan, 1.0, 0.0),
    ("van", "tyre", "", "Plover load", 92, 14, 8.5, 2.5, 0.125, 0.5, 0.0),
    ("van", "tyre", "", "Teal load", 74, 14, 8.5, 2.5, 0.155, 0.5, 0.0),
    ("van", "brake-pad", "", "Dunlin axle set", 58, 38, 11.0, 3.0, 0.19, 1.0, 0.0),
    ("van", "air-filter", "engine", "paper air filter", 18, 0, np.nan, np.nan, np.nan, 1.0, 0.0),
    ("motorcycle-road", "tyre", "rear", "Sorrel touring rear", 148, 25, 8.2, 1.8, 0.56, 0.6, 0.0),
    ("motorcycle-road", "tyre", "rear", "Yarrow sport rear", 162, 25, 7.4, 1.8, 0.78, 0.4, 0.0),
    ("motorcycle-road", "tyre", "front", "Sorrel touring front", 121, 25, 5.6, 1.8, 0.27, 1.0, 0.0),
    ("motorcycle-road", "brake-pad", "", "Knot sintered pads", 34, 15, 4.8, 1.6, 0.16, 1.0, 0.0),
    ("motorcycle-road", "chain", "drive", "Curlew sealed chain", 104, 40, 0.0, 2.4, 0.11, 1.0, 0.0),
    (
        "motorcycle-road",
        "air-filter",
        "engine",
        "paper air filter",
        19,
        0,
        np.nan,
        np.nan,
        np.nan,
        1.0,
        0.0,
    ),
    ("car", "tyre", "", "Linnet touring", 79, 16, 7.8, 2.2, 0.14, 0.6, 0.0),
    ("car", "tyre", "", "Pipit economy", 61, 16, 7.6, 2.2, 0.18, 0.4, 0.0),
    ("car", "brake-pad", "", "Dunlin axle set", 49, 45, 11.0, 3.0, 0.17, 1.0, 0.0),
    ("car", "air-filter", "engine", "paper air filter", 17, 0, np.nan, np.nan, np.nan, 1.0, 0.0),
]
ITEMS = pd.DataFrame(
    _ITEMS,
    columns=[
        "type",
        "category",
        "axle",
        "item",
        "price",
        "fitting",
        "new",
        "limit",
        "rate",
        "weight",
        "tilt",
    ],
)

# lives that a Weibull law ends: scale in km of exposure (air filter: found clogged; wheel bearing: fails) or in days (battery: fails)
LAWS = pd.DataFrame(
    [
        (
            "trail-motorcycle",
            "air-filter",
            "engine",
            "km of exposure",
            21000,
            3.0,
            14,
            0,
            "foam air filter",
        ),
        ("pickup", "air-filter", "engine", "km of exposure", 52000, 3.0, 21, 0, "paper air filter"),
        ("van", "air-filter", "engine", "km of exposure", 66000, 3.0, 18, 0, "paper air filter"),
        (
            "motorcycle-road",
            "air-filter",
            "engine",
            "km of exposure",
            26000,
            3.0,
            19,
            0,
            "paper air filter",
        ),
        ("car", "air-filter", "engine", "km of exposure", 45000, 3.0, 17, 0, "paper air filter"),
        (
            "trail-motorcycle",
            "wheel-bearing",
            "rear",
            "km of exposure",
            42000,
            2.2,
            19,
            26,
            "sealed wheel bearings",
        ),
        (
            "trail-motorcycle",
            "wheel-bearing",
            "front",
            "km of exposure",
            60000,
            2.2,
            17,
            26,
            "sealed wheel bearings",
        ),
        (
            "pickup",
            "wheel-bearing",
            "front-left",
            "km of exposure",
            130000,
            2.2,
            58,
            70,
            "hub bearing",
        ),
        (
            "pickup",
            "wheel-bearing",
            "front-right",
            "km of exposure",
            130000,
            2.2,
            58,
            70,
            "hub bearing",
        ),
        (
            "trail-motorcycle",
            "battery",
            "engine",
            "days",
            1450,
            3.2,
            46,
            0,
            "small starter battery",
        ),
        ("pickup", "battery", "engine", "days", 1900, 3.2, 98, 0, "large starter battery"),
        ("van", "battery", "engine", "days", 1900, 3.2, 92, 0, "large starter battery"),
        ("motorcycle-road", "battery", "engine", "days", 1650, 3.2, 58, 0, "small starter battery"),
        ("car", "battery", "engine", "days", 1950, 3.2, 84, 0, "starter battery"),
    ],
    columns=["type", "category", "position", "clock", "scale", "shape", "price", "fitting", "item"],
)

# everything that holds for every vehicle of both logs
CHANCES = {
    "wear_spread_sigma": 0.12,  # sd of the log of a part's own wear rate; the rates above are means over parts
    "place_spread_sigma": 0.05,  # sd of the log of a place's wear within a part
    "reading_error_mm": 0.2,
    "chain_reading_error_percent": 0.08,
    "damage_per_1000km": {
        "trail-motorcycle": 0.010,
        "pickup": 0.0022,
        "van": 0.0022,
        "motorcycle-road": 0.004,
        "car": 0.0018,
    },
    "damage_loose_effect": 4.0,  # hazard is multiplied by 1 + this x loose share
    "late_share_of_visits": 0.17,
    "early_removal_share": 0.22,  # parts whose keeper takes them off before the change depth
    "second_hand_share": 0.03,  # of tyres bought for cars, vans and pickups
    "repair_in_warranty_days": 730,
    "fuel_winter_effect": 0.10,
    "fuel_loose_effect": 0.20,
    "axle_rate": {
        "pickup": {"front": 0.9, "rear": 1.0},
        "van": {"front": 1.0, "rear": 0.75},
        "car": {"front": 1.0, "rear": 0.7},
    },
}


@dataclass(frozen=True)
class Setting:
    """One keeper: what the vehicles are, where they work, and how the log is written.

    types: type of vehicle to its share of the fleet. sites: name to (loose, mud_water) shares of distance, before a side of the work
    (half of each site's vehicles do the rougher half of it) shifts them by `side_loose` and `side_mud`. site_wear: site to how many times
    as fast a category wears there, whatever the ground. repair_times: vehicle to how many times as often as its type it needs repair.
    """

    name: str
    phrase: str
    types: dict
    sites: dict
    currency: str
    money: str
    distance: str
    pressure: str
    years: int
    labour_rate: float
    as_of: str = "2026-10-31"
    side_loose: float = 0.12
    side_mud: float = 0.04
    prefix: str = ""
    done_by: str = "workshop"
    names: tuple = ()
    site_wear: dict = field(default_factory=dict)
    repair_times: dict = field(default_factory=dict)
    header: dict = field(default_factory=dict)

    @property
    def unit_km(self):
        return DISTANCE_KM[self.distance]

    @property
    def last(self):
        return np.datetime64(self.as_of, "D")


FLEET = Setting(
    name="Marrowmere Wardens",
    phrase="Marrowmere Wardens, an island nature reserve",
    types={"trail-motorcycle": 0.47, "pickup": 0.295, "van": 0.235},
    sites={"Ferry Quay": (0.13, 0.03), "Saltings": (0.30, 0.11), "Highfell": (0.46, 0.06)},
    currency="GBP",
    money="net",
    distance="mi",
    pressure="psi",
    years=4,
    labour_rate=46.0,
    site_wear={"Highfell": {"brake-pad": 1.4}},  # steep roads
    repair_times={"M09": 6.0},
)
OWNER = Setting(
    name="Two at home",
    phrase="one motorcycle and one small car",
    types={"motorcycle-road": 0.5, "car": 0.5},
    sites={"home": (0.05, 0.02)},
    currency="EUR",
    money="gross",
    distance="km",
    pressure="bar",
    years=3,
    labour_rate=0.0,
    side_loose=0.03,
    side_mud=0.01,
    done_by="owner",
    names=("Wren", "Robin"),
)
