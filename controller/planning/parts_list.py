"""What a grower's words for the parts of a chamber mean in figures.

Each entry has the word that stands in an answer, what a person reads, and its figures. Sources are
beside each table; where none is named it is common practice, from memory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from controller.thermal.coil_rating import AIR_KG_M3, air_side_at, conductances_of_rating
from controller.thermal.envelope import WALLS
from controller.thermal.packs import PackShape

KG_S_PER_CFM = 5.66e-4
"""Air of 1.2 kg/m³ moved by a cubic foot a minute [kg/s]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wall:
    """What the chamber is made of."""

    words: str
    u_w_m2k: float
    """Heat transfer, still air on both sides [W/(m²·K)]."""


def _board(thickness_m: float, w_mk: float) -> float:
    return 1.0 / (0.24 + thickness_m / w_mk)


WALL: Mapping[str, Wall] = {
    "tent": Wall(words="grow tent, bare fabric", u_w_m2k=WALLS["fabric"]),
    "tent-foil": Wall(
        words="tent wrapped in foil bubble wrap", u_w_m2k=WALLS["fabric-foil-bubble"]
    ),
    # loose boards and a door that stays bare let a quarter more through; common practice
    "tent-foam": Wall(
        words="tent with 25 mm (1 in) foam board taped on",
        u_w_m2k=1.25 * WALLS["fabric-foam-board-25"],
    ),
    "tote": Wall(words="plastic tote or tub", u_w_m2k=3.9),
    "plywood": Wall(words="plywood or wooden cupboard", u_w_m2k=3.0),
    # a maker's table, 6 mm; 2.4 at 16 mm
    "polycarbonate": Wall(words="twin-wall plastic greenhouse", u_w_m2k=3.5),
    "foam-25": Wall(words="box of 25 mm (1 in) foam board", u_w_m2k=1.2 * WALLS["foam-board-25"]),
    "foam-50": Wall(words="box of 50 mm (2 in) foam board", u_w_m2k=1.2 * WALLS["foam-board-50"]),
    # 0.5 new; half as much again for old foam and its gasket
    "fridge": Wall(words="old fridge or freezer cabinet", u_w_m2k=0.75),
}
"""Own, from R-values of boards and trade tables; boards with a fifth more for seams."""

AIR_CHANGES: Mapping[str, tuple[str, float]] = {
    "closed": ("closed, filter patches only", 0.4),
    "hand": ("lid opened by hand a few times a day", 0.5),
    "passive": ("open holes or flaps", 1.5),
    "timer": ("a fan on a timer", 5.0),
    "always": ("a duct fan that never stops", 0.0),
}
"""Chamber volumes an hour [1/h]; the last one is worked out from the fan. Common practice."""
DUCT_FAN_M3_H = 70.0
"""A duct fan on its lowest setting [m³/h]: 50 to 100."""
MOST_CHANGES_PER_H = 60.0

HUMIDIFIERS: Mapping[str, tuple[str, float]] = {
    "none": ("none, or mist by hand", 0.0),
    "small": ("a small one, for a room", 0.06),
    "large": ("a fogger or several", 0.3),
}
"""Most water into the air [kg/h]. Common practice for small ultrasonic ones."""

PLACES: Mapping[str, tuple[str, tuple[str, str], tuple[str, str], str]] = {
    "cooled": ("a room with air conditioning", ("25 C", "77 F"), ("23 C", "73 F"), "ordinary"),
    "room": ("a room without air conditioning", ("29 C", "84 F"), ("24 C", "75 F"), "ordinary"),
    "upstairs": ("upstairs, under the roof", ("32 C", "90 F"), ("25 C", "77 F"), "ordinary"),
    "basement": ("a basement", ("21 C", "70 F"), ("20 C", "68 F"), "muggy"),
    "garage": ("a garage or shed", ("35 C", "95 F"), ("24 C", "75 F"), "ordinary"),
    "closet": ("a closet", ("28 C", "82 F"), ("25 C", "77 F"), "ordinary"),
}
"""Words, warmest hour, coolest hour, and how humid. Common practice; a grower's own figures win."""
HUMIDITIES: Mapping[str, tuple[str, float]] = {
    "dry": ("dry: desert, or heated", 0.25),
    "ordinary": ("ordinary", 0.45),
    "muggy": ("muggy", 0.65),
    "dripping": ("very damp", 0.80),
}

COOLERS: Mapping[str, tuple[str, tuple[float, ...]]] = {
    "thin": ("cheap picnic cooler, thin walls, hollow lid", (0.9, 1.2, 1.6, 2.0, 2.5)),
    "ordinary": ("ordinary cooler, about 25 mm (1 in) of foam", (0.5, 0.64, 0.9, 1.1, 1.4)),
    "thick": ("thick moulded cooler, about 45 mm", (0.31, 0.39, 0.53, 0.65, 0.81)),
    "fish-box": ("bare foam box, as for fish", (0.5, 0.64, 0.9, 1.1, 1.4)),
    "bag": ("soft cooler bag", (1.17, 1.56, 2.08, 2.6, 3.25)),
}
COOLER_LITRES = (20.0, 30.0, 50.0, 70.0, 100.0)
"""Heat leak at these volumes [W/K]: own, from walls of 15, 25 and 45 mm of foam."""
COOLER_SEALS = 1.25
"""Seal, drain and lid leak a quarter more [-]; 0.8 to 1.8 were measured."""
TUBE_HOLES_W_K = 0.05
"""Two foamed holes for the tubes [W/K]."""
COOLER_FILLED = 0.85
"""Share of a cooler that packs and water fill [-]: the lid must close above both. Own choice."""
LEAST_WATER_L = 2.0
MOST_PACKS_SHARE = 0.6
"""More of a cooler than this in packs leaves the water no way between them. Own choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pack:
    """One kind of pack."""

    words: str
    kg: float
    shape: PackShape
    thickness_mm: float
    """Of a flat pack; of a bottle its diameter [mm]."""
    fill: str


PACKS: Mapping[str, Pack] = {
    "bottle-half": Pack(
        words="0.5 L (16 oz) water bottle", kg=0.45, shape="bottle", thickness_mm=65.0, fill="ice"
    ),
    "bottle-1": Pack(
        words="1 L (1 qt) bottle", kg=0.9, shape="bottle", thickness_mm=80.0, fill="ice"
    ),
    "bottle-1.5": Pack(words="1.5 L bottle", kg=1.4, shape="bottle", thickness_mm=90.0, fill="ice"),
    "bottle-2": Pack(
        words="2 L soda bottle", kg=1.8, shape="bottle", thickness_mm=108.0, fill="ice"
    ),
    "jug": Pack(
        words="1 US gallon (3.8 L) jug", kg=3.4, shape="bottle", thickness_mm=150.0, fill="ice"
    ),
    "gel-small": Pack(
        words="small flat pack, 15 x 10 cm (6 x 4 in)",
        kg=0.2,
        shape="slab",
        thickness_mm=18.0,
        fill="gel",
    ),
    "gel-medium": Pack(
        words="flat pack, 20 x 15 cm (8 x 6 in)",
        kg=0.45,
        shape="slab",
        thickness_mm=22.0,
        fill="gel",
    ),
    "gel-large": Pack(
        words="large flat pack, 25 x 18 cm (10 x 7 in)",
        kg=0.9,
        shape="slab",
        thickness_mm=30.0,
        fill="gel",
    ),
}
"""Bottles filled to nine tenths, since ice takes more room than water."""

FREEZERS: Mapping[str, tuple[str, int, float | None]] = {
    "chest": ("chest freezer", 4, None),
    "upright": ("upright freezer", 4, None),
    "fridge": ("freezer part of a fridge, four stars", 4, 75.0),
    "ice-box": ("ice box inside a fridge", 1, 15.0),
}
"""Words, stars, and litres where they are not asked."""
FOODS: Mapping[str, str] = {"none": "no, it is for the packs", "half": "half full", "full": "full"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Core:
    """A finned core through which the cold water runs."""

    words: str
    faces: float
    """Face, in faces of 120 mm [-]."""
    fans: int


CORES: Mapping[str, Core] = {
    "120": Core(words="120 mm (one 5 in fan)", faces=1.0, fans=1),
    "140": Core(words="140 mm (one fan)", faces=1.36, fans=1),
    "240": Core(words="240 mm (two 120 mm fans)", faces=2.0, fans=2),
    "280": Core(words="280 mm (two 140 mm fans)", faces=2.7, fans=2),
    "360": Core(words="360 mm (three 120 mm fans)", faces=3.0, fans=3),
    "heater": Core(words="car heater core with one fan", faces=2.3, fans=1),
}
RATED = "rated"
"""The answer that stands for a core whose label or bench test says what it takes."""
RATED_WORDS = "another, of which you know the watts"
FANS: Mapping[str, tuple[str, float, float]] = {
    "quiet": ("quiet, up to 900 rpm", 13.0, 0.8),
    "ordinary": ("ordinary, 1200 to 1500 rpm", 22.0, 1.5),
    "fast": ("fast, 1800 to 2000 rpm", 33.0, 3.0),
    "loud": ("loud, over 2500 rpm", 50.0, 10.0),
}
"""Words, air through a core for each fan [ft³/min], watts of each. From memory of fan sheets, less
than half of their free air."""
CORE_W_K, CORE_CFM, WATER_W_K = 21.0, 30.0, 60.0
"""Conductance of a 120 mm face on its air side at 30 ft³/min, with the square root of the flow, and
on its water side [W/K]. Own fit to bench reports of such cores, within 30 %."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CoilFigures:
    """What a core with its fans comes to."""

    ua_air_w_k: float
    ua_water_w_k: float
    air_kg_s: float
    fans_w: float


def coil_figures(core: str, fan: str) -> CoilFigures:
    """Return the figures of a core with a fan, by their keys in `CORES` and `FANS`."""
    faces, fans = CORES[core].faces, CORES[core].fans
    cfm = fans * FANS[fan][1]
    return CoilFigures(
        ua_air_w_k=round(CORE_W_K * faces * (cfm / faces / CORE_CFM) ** 0.5, 1),
        ua_water_w_k=round(WATER_W_K * faces),
        air_kg_s=round(cfm * KG_S_PER_CFM, 4),
        fans_w=round(fans * FANS[fan][2], 2),
    )


def rated_figures(
    *, w_per_k: float, rated_m3_h: float, rated_l_h: float, fan: str, fans: int
) -> CoilFigures:
    """Return the figures of a core by its label or a bench test.

    Args:
        w_per_k: Watts over the difference between air in and water in, dry [W/K].
        rated_m3_h: Air in that test [m³/h].
        rated_l_h: Water in that test [L/h].
        fan: Which fan blows through it here, a key of `FANS`.
        fans: How many of them.

    Raises:
        PhysicsError: Such flows cannot carry so much.
    """
    rated_kg_s = rated_m3_h * AIR_KG_M3 / 3600.0
    sides = conductances_of_rating(
        w_per_k=w_per_k, air_kg_s=rated_kg_s, water_kg_s=rated_l_h / 3600.0
    )
    air_kg_s = round(fans * FANS[fan][1] * KG_S_PER_CFM, 4)
    return CoilFigures(
        ua_air_w_k=air_side_at(sides.air_w_k, rated_kg_s=rated_kg_s, air_kg_s=air_kg_s),
        ua_water_w_k=sides.water_w_k,
        air_kg_s=air_kg_s,
        fans_w=round(fans * FANS[fan][2], 2),
    )


PUMP_SHARE = 0.5
"""Of the flow on a pump's box that is left after lift, tubes and core [-]. Common practice."""
MOST_WATER_KG_S = 0.067
"""Four litres a minute: beyond it a core gains little."""
PUMP_BASE_W, PUMP_W_PER_L_H = 3.0, 1.0 / 120.0
"""Watts of small submerged pumps: 5 W at 240 L/h. From memory of pump sheets."""

CROP_W_PER_KG: Mapping[str, float] = {"shiitake": 0.1, "shiitake-warm": 0.1}
CROP_USUAL_W_PER_KG = 0.5
"""Heat of fruiting blocks [W/kg]: oyster and lion's mane 0.1 to 1.0, slow wood species 0.1."""


def cooler_w_k(kind: str, litres: float) -> float:
    """Return the heat leak of a cooler, its seals and tube holes included [W/K].

    Args:
        kind: A key of `COOLERS`.
        litres: Its inside volume [L]; outside the table it goes on as the area does.
    """
    leaks = COOLERS[kind][1]
    smallest, largest = COOLER_LITRES[0], COOLER_LITRES[-1]
    if litres <= smallest:
        leak = leaks[0] * math.pow(litres / smallest, 2 / 3)
    elif litres >= largest:
        leak = leaks[-1] * math.pow(litres / largest, 2 / 3)
    else:
        after = next(n for n, each in enumerate(COOLER_LITRES) if each >= litres)
        low, high = COOLER_LITRES[after - 1], COOLER_LITRES[after]
        share = (litres - low) / (high - low)
        leak = leaks[after - 1] + share * (leaks[after] - leaks[after - 1])
    return COOLER_SEALS * leak + TUBE_HOLES_W_K


OFTEN_GROWN = (
    "pearl-oyster",
    "king-oyster",
    "lions-mane",
    "shiitake",
    "pink-oyster",
    "golden-oyster",
    "chestnut",
    "pioppino",
    "button",
)
"""Species that come first in the list: those that sellers of kits and spawn offer most. Common
practice, no source."""
