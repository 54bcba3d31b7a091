"""What a grower is asked: one list of questions for the interview and for the page."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import cache

from controller.planning import parts_list
from controller.planning.question import US, AnswerKind, Known, Option, Question, Text, Topic
from controller.settings.species import read_species


def _always(text: Text) -> Callable[[Known], Text]:
    return lambda _: text


def _choice(words: Mapping[str, str]) -> tuple[Option, ...]:
    return tuple(Option(key, each) for key, each in words.items())


def _firsts(table: Mapping[str, tuple[str, *tuple[object, ...]]]) -> tuple[Option, ...]:
    return tuple(Option(key, row[0]) for key, row in table.items())


def _size(known: Known) -> Text:
    walls = str(known.get("walls", ""))
    if walls.startswith("tent"):
        return "60 x 60 x 140 cm", "2 x 2 x 4 ft"
    if walls == "tote":
        return "60 x 40 x 40 cm", "24 x 16 x 16 in"
    return "70 x 50 x 100 cm", "28 x 20 x 40 in"


def _place(known: Known) -> str:
    return str(known.get("place", "room"))


def _is_rated(known: Known) -> bool:
    return known.get("core") == parts_list.RATED


def _packs_that_fit(known: Known) -> Text:
    litres, kind = known.get("cooler_volume"), str(known.get("pack", "bottle-1"))
    if not isinstance(litres, float):
        return "4"
    return str(max(1, min(12, int(0.45 * litres / parts_list.PACKS[kind].kg))))


def _twice(known: Known) -> Text:
    in_water = known.get("packs_in_water")
    return str(2 * in_water) if isinstance(in_water, int) else "8"


@cache
def topics() -> tuple[Topic, ...]:
    """Return everything that is asked, in its order.

    Raises:
        SettingsError: The table of species that ships cannot be read.
    """
    species = {key: each.name for key, each in read_species().items()}
    often, others = "Often grown", "Others"
    options = [Option(key, species[key], often) for key in parts_list.OFTEN_GROWN]
    options += [
        Option(key, name, others)
        for key, name in species.items()
        if key not in parts_list.OFTEN_GROWN
    ]
    return (
        Topic("Units", (_UNITS,)),
        Topic(
            "Crop",
            (
                Question(
                    key="species",
                    text="What do you grow?",
                    kind=AnswerKind.CHOICE,
                    options=tuple(options),
                    shown_first=len(parts_list.OFTEN_GROWN),
                    default=_always("pearl-oyster"),
                    cautious=_always("pearl-oyster-cold"),
                ),
                Question(
                    key="stage",
                    text="Which stage should the chamber hold?",
                    kind=AnswerKind.CHOICE,
                    options=(
                        Option("fruiting", "fruiting: mushrooms grow"),
                        Option("pinning", "pinning: the first small pins form"),
                    ),
                    default=_always("fruiting"),
                    cautious=_always("fruiting"),
                ),
            ),
        ),
        *_TOPICS,
    )


_UNITS = Question(
    key="units",
    text="Which units do you use?",
    kind=AnswerKind.CHOICE,
    options=(
        Option("metric", "°C, centimetres, litres, kilograms"),
        Option(US, "°F, feet, quarts, pounds"),
    ),
    default=_always("metric"),
    cautious=None,
)
_TOPICS = (
    Topic(
        "Chamber",
        (
            Question(
                key="walls",
                text="What is the chamber made of?",
                kind=AnswerKind.CHOICE,
                options=_choice({key: wall.words for key, wall in parts_list.WALL.items()}),
                default=_always("tent"),
                cautious=_always("tent"),
            ),
            Question(
                key="size",
                text="How large is it outside?",
                kind=AnswerKind.SIZE,
                hint=("length x width x height", "length x width x height"),
                default=_size,
                cautious=_always(("80 x 80 x 160 cm", "32 x 32 x 63 in")),
                low=0.05,
                high=20.0,
            ),
        ),
    ),
    Topic(
        "Blocks",
        (
            Question(
                key="blocks",
                text="What do the blocks in it weigh together?",
                kind=AnswerKind.WEIGHT,
                hint=(
                    "a kit weighs 2 kg, a large block 4.5 kg, a straw bag 10 kg",
                    "a kit weighs 4 lb, a large block 10 lb, a straw bag 20 lb",
                ),
                default=_always(("10 kg", "20 lb")),
                cautious=_always(("20 kg", "45 lb")),
                low=0.1,
                high=5000.0,
            ),
        ),
    ),
    Topic(
        "Light, air, mist",
        (
            Question(
                key="lights",
                text="How many watts of light are inside?",
                kind=AnswerKind.POWER,
                hint=(
                    "0 for none; a metre of LED strip takes 5 to 10 W",
                    "0 for none; a foot of LED strip takes 2 to 3 W",
                ),
                default=_always("10 W"),
                cautious=_always("20 W"),
                high=5000.0,
            ),
            Question(
                key="fresh_air",
                text="How does fresh air come in?",
                kind=AnswerKind.CHOICE,
                options=_firsts(parts_list.AIR_CHANGES),
                default=_always("passive"),
                cautious=_always("timer"),
            ),
            Question(
                key="humidifier",
                text="Is there a humidifier?",
                kind=AnswerKind.CHOICE,
                options=_firsts(parts_list.HUMIDIFIERS),
                default=_always("small"),
                cautious=_always("small"),
            ),
        ),
    ),
    Topic(
        "Where it stands",
        (
            Question(
                key="place",
                text="Where does the chamber stand?",
                kind=AnswerKind.CHOICE,
                options=_firsts(parts_list.PLACES),
                hint="not in the sun, and not in an attic: both are too hot",
                default=_always("room"),
                cautious=_always("upstairs"),
            ),
            Question(
                key="day",
                text="How warm does it get there on a hot afternoon?",
                kind=AnswerKind.TEMPERATURE,
                default=lambda known: parts_list.PLACES[_place(known)][1],
                cautious=lambda known: parts_list.PLACES[_place(known)][1],
                low=-20.0,
                high=50.0,
            ),
            Question(
                key="night",
                text="And at the coolest hour of that night?",
                kind=AnswerKind.TEMPERATURE,
                default=lambda known: parts_list.PLACES[_place(known)][2],
                cautious=lambda known: parts_list.PLACES[_place(known)][2],
                low=-20.0,
                high=50.0,
            ),
            Question(
                key="humidity",
                text="How humid is it there?",
                kind=AnswerKind.CHOICE,
                options=_firsts(parts_list.HUMIDITIES),
                default=lambda known: parts_list.PLACES[_place(known)][3],
                cautious=_always("muggy"),
            ),
        ),
    ),
    Topic(
        "Cooler",
        (
            Question(
                key="cooler",
                text="Which box holds the cold water?",
                kind=AnswerKind.CHOICE,
                options=_firsts(parts_list.COOLERS),
                default=_always("ordinary"),
                cautious=_always("thin"),
            ),
            Question(
                key="cooler_volume",
                text="How much does it hold?",
                kind=AnswerKind.VOLUME,
                default=_always(("45 L", "48 qt")),
                cautious=_always(("30 L", "32 qt")),
                low=3.0,
                high=1000.0,
            ),
        ),
    ),
    Topic(
        "Packs",
        (
            Question(
                key="pack",
                text="What do you freeze?",
                kind=AnswerKind.CHOICE,
                options=_choice({key: pack.words for key, pack in parts_list.PACKS.items()}),
                default=_always("bottle-1"),
                cautious=_always("bottle-1"),
            ),
            Question(
                key="packs_in_water",
                text="How many are in the water at a time?",
                kind=AnswerKind.COUNT,
                default=_packs_that_fit,
                cautious=_packs_that_fit,
                low=1,
                high=500,
            ),
            Question(
                key="packs",
                text="How many do you have in all?",
                kind=AnswerKind.COUNT,
                hint="those in the freezer included",
                default=_twice,
                cautious=_twice,
                low=1,
                high=1000,
            ),
        ),
    ),
    Topic(
        "Freezer",
        (
            Question(
                key="freezer",
                text="Which freezer freezes them?",
                kind=AnswerKind.CHOICE,
                hint="the largest of several; others go into the file: [plant.more_freezers.NAME]",
                options=_firsts(parts_list.FREEZERS),
                default=_always("chest"),
                cautious=_always("fridge"),
            ),
            Question(
                key="freezer_volume",
                text="How large is it inside?",
                kind=AnswerKind.VOLUME,
                default=_always(("200 L", "7 cu ft")),
                cautious=_always(("100 L", "3.5 cu ft")),
                low=5.0,
                high=5000.0,
                applies=lambda known: known.get("freezer") in {"chest", "upright"},
            ),
            Question(
                key="food",
                text="Is there food in it?",
                kind=AnswerKind.CHOICE,
                options=_choice(parts_list.FOODS),
                default=_always("half"),
                cautious=_always("full"),
            ),
        ),
    ),
    Topic(
        "Coil and fan",
        (
            Question(
                key="core",
                text="Which finned core does the cold water run through?",
                kind=AnswerKind.CHOICE,
                options=_choice(
                    {key: core.words for key, core in parts_list.CORES.items()}
                    | {parts_list.RATED: parts_list.RATED_WORDS}
                ),
                hint="a radiator as for cooling a computer; its name is the width of its face",
                default=_always("120"),
                cautious=_always("120"),
            ),
            Question(
                key="rating",
                text="How many watts does it take, at which difference?",
                kind=AnswerKind.RATING,
                hint=(
                    "such as 120 W at 10 K: the air came in 10 K warmer than the water",
                    "such as 120 W at 18 F: the air came in 18 °F warmer than the water",
                ),
                default=_always(("120 W at 10 K", "120 W at 18 F")),
                cautious=None,
                low=0.1,
                high=1000.0,
                applies=_is_rated,
            ),
            Question(
                key="rated_air",
                text="How much air went through it in that test?",
                kind=AnswerKind.AIR_FLOW,
                default=_always(("50 m3/h", "30 cfm")),
                cautious=_always(("50 m3/h", "30 cfm")),
                low=1.0,
                high=20_000.0,
                applies=_is_rated,
            ),
            Question(
                key="rated_water",
                text="And how much water?",
                kind=AnswerKind.FLOW,
                default=_always(("1 L/min", "0.26 gpm")),
                cautious=_always(("1 L/min", "0.26 gpm")),
                low=1.0,
                high=20_000.0,
                applies=_is_rated,
            ),
            Question(
                key="fans",
                text="How many fans blow through it in your chamber?",
                kind=AnswerKind.COUNT,
                default=_always("1"),
                cautious=_always("1"),
                low=1,
                high=20,
                applies=_is_rated,
            ),
            Question(
                key="fan",
                text="Which fan blows through it?",
                kind=AnswerKind.CHOICE,
                options=_firsts(parts_list.FANS),
                hint="its back or the shop states the speed; one heard across the room is fast",
                default=_always("ordinary"),
                cautious=_always("quiet"),
            ),
        ),
    ),
    Topic(
        "Pump",
        (
            Question(
                key="pump",
                text="What flow does the box of the pump state?",
                kind=AnswerKind.FLOW,
                hint=(
                    "printed on the pump too; for a small table fountain 200 to 300 L/h",
                    "printed on the pump too; for a small table fountain 50 to 80 gph",
                ),
                default=_always(("240 L/h", "65 gph")),
                cautious=_always(("120 L/h", "32 gph")),
                low=10.0,
                high=20_000.0,
            ),
        ),
    ),
    Topic(
        "You",
        (
            Question(
                key="sleeps",
                text="When do you go to sleep?",
                kind=AnswerKind.TIME,
                default=_always("22:30"),
                cautious=_always("22:00"),
            ),
            Question(
                key="wakes",
                text="And when are you up?",
                kind=AnswerKind.TIME,
                default=_always("06:30"),
                cautious=_always("07:30"),
            ),
            Question(
                key="name",
                text="What do you call the chamber?",
                kind=AnswerKind.NAME,
                default=_always("my chamber"),
                cautious=None,
            ),
        ),
    ),
)


def every_question() -> tuple[Question, ...]:
    """Return the questions without their topics, in order."""
    return tuple(question for topic in topics() for question in topic.questions)
