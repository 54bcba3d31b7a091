"""Write a commented configuration from a grower's answers, in the grower's own units."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from controller.domain import measures
from controller.errors import SettingsError
from controller.planning.answers import LINE_MARK, Answers, Origin, answers_text, texts_of
from controller.planning.changes import Applied
from controller.planning.equipment import equipment_of
from controller.planning.parts_list import RATED
from controller.planning.points import STAGES, Points, air_high_c, low_limit_c, reservoir_warm_c
from controller.planning.questions import every_question
from controller.settings.load import Settings, examine_document, settings_from
from controller.settings.species import Species
from controller.settings.toml_edit import toml_string
from controller.thermal.specs import FreezerSpec, PlantSpec

LIGHTS_ON = ("08:00", "20:00")
"""When lights are on, as nobody is asked: twelve hours by day. Common practice."""
WIDTH = 100
BOM = "\ufeff"
"""What some editors put before a text."""
PRIME_S, RUN_ON_S = 15, 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Draft:
    """Everything that a configuration is written from."""

    answers: Answers
    plant: PlantSpec
    """With the changes that were applied."""
    applied: tuple[Applied, ...]
    """Those changes."""
    species: Species
    points: Mapping[str, Points]
    """By stage."""
    minimum_run_s: float
    anti_short_cycle_s: float
    proposed: str
    """Where points and timers come from, as a comment."""

    @property
    def text(self) -> str:
        """The commented configuration."""
        return configuration_text(self)

    @property
    def folder(self) -> Path:
        """Where files that it names are looked for; it names none."""
        return Path()


def settings_of(text: str, folder: Path = Path()) -> Settings:
    """Return the settings in the text of a configuration.

    Args:
        text: The configuration.
        folder: Where files that it names are looked for.

    Raises:
        SettingsError: It cannot be used; carries every problem found.
    """
    tables, problems = examine_document(
        tomllib.loads(text.removeprefix(BOM)), folder, needs_fit=False
    )
    if problems:
        raise SettingsError("the answers", tuple(problems))
    return settings_from(tables)


def configuration_text(draft: Draft) -> str:
    """Return the whole file."""
    return "\n".join([*_lines(draft), ""])


def _lines(draft: Draft) -> Iterator[str]:
    answers = draft.answers
    yield from (
        f"# {answers['name']}: written by `coldpin new` from your answers. Edit it freely;",
        "# `coldpin check` says what is wrong, `coldpin size` judges it again.",
        "# Figures marked (assumed) are cautious or usual ones that you did not give.",
        "",
        "[chamber]",
        f'name = "{answers["name"]}"',
        f'stage = "{answers["stage"]}"',
        _line(f'species = "{answers["species"]}"', draft.species.name, _mark(answers, "species")),
        "",
        "[display]",
        f'unit = "{answers.unit}"',
    )
    yield from _bands(draft)
    yield from _people(draft)
    yield from _hardware()
    yield from _equipment(draft)
    yield from (
        "",
        "# The simulated chamber of `coldpin rehearse`.",
        "[simulation]",
        'plant = "chamber"',
        "",
        "# Your answers, for `coldpin plan` and `coldpin new --answers`. Nothing else reads them.",
    )
    kept = answers_text(texts_of(answers), answers.changes)
    yield from (f"{LINE_MARK}{line}" for line in kept.splitlines())


def temperature_text(celsius: float, unit: str) -> str:
    """Return a temperature as a configuration and an answer have it, such as 15.5 C."""
    value = celsius * 1.8 + 32.0 if unit == "F" else celsius
    return f"{value:.1f}".removesuffix(".0") + f" {unit}"


def _temperature(celsius: float, unit: str) -> str:
    return f'"{temperature_text(celsius, unit)}"'


def _duration(seconds: float) -> str:
    return f'"{seconds / 60:g} min"' if seconds % 60 == 0 else f'"{seconds:g} s"'


def _mark(answers: Answers, key: str) -> str:
    if key not in answers.of:
        return ""
    return {
        Origin.GIVEN: "",
        Origin.DEFAULT: " (assumed: not asked)",
        Origin.CAUTIOUS: " (assumed: not known)",
    }[answers.of[key].origin]


def _line(text: str, comment: str, mark: str = "") -> str:
    return f"{text}  # {comment}{mark}"


def _bands(draft: Draft) -> Iterator[str]:
    unit = draft.answers.unit
    yield from ("", "# Cooling starts at cut_in and stops at cut_out.", f"# {draft.proposed}")
    for stage in STAGES:
        points = draft.points[stage]
        band = draft.species.pinning if stage == "pinning" else draft.species.cropping
        low, high = (temperature_text(each / 1000, unit) for each in (band.low, band.high))
        yield from (
            f"[stages.{stage}]",
            _line(
                f"cut_in = {_temperature(points.cut_in_c, unit)}",
                f"species: {low} to {high}; {_source(draft.species)}",
            ),
            f"cut_out = {_temperature(points.cut_out_c, unit)}",
            "",
        )
    every = tuple(draft.points.values())
    yield from (
        "[timing]",
        _line(f"minimum_run = {_duration(draft.minimum_run_s)}", "spares pump and relay"),
        _line(
            f"anti_short_cycle = {_duration(draft.anti_short_cycle_s)}",
            "the pump rests this long before it starts again",
        ),
        _line(f'prime = "{PRIME_S} s"', "until water reaches the coil: watch it once, then set it"),
        f'run_on = "{RUN_ON_S} s"',
        "",
        "[limits]",
        _line(f"low_limit = {_temperature(low_limit_c(every), unit)}", "cooling stops at once"),
        _line(f"air_high = {_temperature(air_high_c(every), unit)}", "alarm: air too warm"),
        _line(
            f"reservoir_warm = {_temperature(reservoir_warm_c(every), unit)}",
            "alarm: water too warm to cool",
        ),
        f'reservoir_margin = "{"3.6 F" if unit == "F" else "2 K"}"',
    )


def _words(answers: Answers, key: str) -> str:
    """Return an answer as a person reads it."""
    text = answers.of[key].text
    options = next(each.options for each in every_question() if each.key == key)
    return next((option.words for option in options if option.key == text), text)


def _source(species: Species) -> str:
    return species.source if len(species.source) < WIDTH else f"{species.source[: WIDTH - 3]}..."


def _people(draft: Draft) -> Iterator[str]:
    answers = draft.answers
    yield from (
        "",
        "[people]",
        _line(
            f'wakes = "{answers.clock("wakes"):%H:%M}"',
            "pack changes are planned from here",
            _mark(answers, "wakes"),
        ),
        _line(f'sleeps = "{answers.clock("sleeps"):%H:%M}"', "to here", _mark(answers, "sleeps")),
    )
    if draft.plant.chamber.lights_w > 0.0:
        yield from (
            "",
            "[lights]",
            _line(f'from = "{LIGHTS_ON[0]}"', "twelve hours", " (assumed: not asked)"),
            f'to = "{LIGHTS_ON[1]}"',
        )


def _hardware() -> Iterator[str]:
    yield from (
        "",
        "# Probes and relays are simulated until `coldpin new --wire` asks for them on the Pi.",
        "[probes.air]",
        'kind = "simulated"',
        "",
        "[probes.reservoir]",
        'kind = "simulated"',
        "",
        "[probes.room]",
        'kind = "simulated"',
    )
    for load, current in (("pump", "0.9 A"), ("fan", "0.5 A")):
        yield from (
            "",
            f"[loads.{load}]",
            'driver = "dry"',
            _line('supply = "12 V DC"', "from its nameplate", " (assumed: not asked)"),
            _line(f'current = "{current}"', "from its nameplate", " (assumed: not asked)"),
            'load_kind = "motor"',
        )


def _equipment(draft: Draft) -> Iterator[str]:
    yield from (
        "",
        "# Your equipment in figures; `coldpin plan` works them out anew from other answers.",
        "# A kelvin (K) is a difference of 1 °C, which is 1.8 °F; W/K are watts for each kelvin.",
    )
    if draft.applied:
        yield "# Changed from your answers:"
        yield from (f"# - {each.what}" for each in draft.applied)
    yield from _chamber(draft)
    yield from _coil(draft)
    yield from _reservoir(draft)
    yield from _packs_and_freezer(draft)
    yield from _room(draft)


def _answer(draft: Draft, *keys: str) -> str:
    answers = draft.answers
    return " ".join(_words(answers, key) for key in keys if key in answers.of)


def _quoted(draft: Draft, key: str) -> str:
    """Return an answer as a TOML string: a person may write inches as ``"``."""
    return toml_string(draft.answers.of[key].text)


def _marks(draft: Draft, *keys: str) -> str:
    return next((text for key in keys if (text := _mark(draft.answers, key))), "")


def _chamber(draft: Draft) -> Iterator[str]:
    chamber, unit = draft.plant.chamber, draft.answers.unit
    yield from (
        "[plant.chamber]",
        _line(f"size = {_quoted(draft, 'size')}", "outside", _marks(draft, "size")),
        _line(f"wall_u_w_m2k = {chamber.wall_u_w_m2k:.3g}",
              f"W/K through each m² of wall: {_answer(draft, 'walls')}", _marks(draft, "walls")),
        _line(f"air_changes_per_h = {chamber.air_changes_per_h:g}",
              f"fresh air, chambers full an hour: {_answer(draft, 'fresh_air')}",
              _marks(draft, "fresh_air")),
        _line(f'rh = "{100 * chamber.rh:.0f} %"', "what this species wants"),
        _line(f"lights_w = {chamber.lights_w:g}", "watts while they are on",
              _marks(draft, "lights")),
        _line(f"fans_w = {chamber.fans_w:g}", "watts of the coil's fans",
              _marks(draft, "core", "fan")),
        _line(f'crop_kg = "{measures.weight_text(chamber.crop_kg, unit)}"', "all blocks together",
              _marks(draft, "blocks")),
        _line(f"crop_w_per_kg = {chamber.crop_w_per_kg:g}", "heat of a fruiting block",
              " (assumed: not asked)"),
        _line(f"humidifier_kg_per_h = {chamber.humidifier_kg_per_h:g}",
              _answer(draft, "humidifier"), _marks(draft, "humidifier")),
    )  # fmt: skip


def _coil(draft: Draft) -> Iterator[str]:
    """Yield the core: by its label where that was given, else by its conductances."""
    answers, coil = draft.answers, draft.plant.coil
    core, fan = _answer(draft, "core"), _answer(draft, "fan")
    yield from ("", "[plant.coil]")
    # a change makes it another one than the label's
    if answers.text("core") == RATED and coil == equipment_of(answers).coil:
        yield from (
            _line(f"rated_w_per_k = {_quoted(draft, 'rating')}", "its label or a bench test"),
            _line(f"rated_air_m3_h = {_quoted(draft, 'rated_air')}", "air in that test",
                  _marks(draft, "rated_air")),
            _line(f"rated_l_min = {_quoted(draft, 'rated_water')}", "water in that test",
                  _marks(draft, "rated_water")),
            _line(f"air_kg_s = {coil.air_kg_s:g}", f"in your chamber: {answers['fans']} x {fan}",
                  _marks(draft, "fan")),
        )  # fmt: skip
    else:
        yield from (
            _line(f"ua_air_w_k = {coil.ua_air_w_k:.4g}",
                  f"W/K from air to fins: core {core}, fan {fan}", _marks(draft, "core", "fan")),
            _line(f"ua_water_w_k = {coil.ua_water_w_k:.4g}", "W/K from fins to water"),
            _line(f"air_kg_s = {coil.air_kg_s:g}", "kilograms of air a second"),
        )  # fmt: skip
    yield _line(
        f"water_kg_s = {coil.water_kg_s:g}",
        f"half of the {_answer(draft, 'pump')} on the pump's box",
        _marks(draft, "pump"),
    )


def _reservoir(draft: Draft) -> Iterator[str]:
    water, unit = draft.plant.reservoir, draft.answers.unit
    yield from (
        "",
        "[plant.reservoir]",
        _line(f'litres = "{measures.volume_text(water.litres, unit)}"',
              f"water beside the packs in {_answer(draft, 'cooler_volume')}",
              _marks(draft, "cooler_volume")),
        _line(f"ua_w_k = {water.ua_w_k:g}",
              f"W/K that leak into the box: {_answer(draft, 'cooler')}", _marks(draft, "cooler")),
        _line(f"pump_w = {water.pump_w:g}", "watts, by its flow", " (assumed: not asked)"),
    )  # fmt: skip


def _packs_and_freezer(draft: Draft) -> Iterator[str]:
    packs, freezer = draft.plant.packs, draft.plant.freezer
    yield from (
        "",
        "[plant.packs]",
        _line(f"count = {packs.count}", "in all", _marks(draft, "packs")),
        _line(f"in_reservoir = {packs.in_reservoir}", "in the water",
              _marks(draft, "packs_in_water")),
        _line(f"kg = {packs.kg:g}", f"of fill in each: {_answer(draft, 'pack')}",
              _marks(draft, "pack")),
        f'fill = "{packs.fill}"',
        f'shape = "{packs.shape}"',
        _line(f"thickness_mm = {packs.thickness_mm:g}",
              "across the bottle" if packs.shape == "bottle" else "of the flat pack"),
        "",
        "[plant.freezer]",
        *_freezer(draft, freezer),
        _line(f'food = "{freezer.food}"', "a loaded freezer freezes less", _marks(draft, "food")),
        "# a second freezer: a table such as [plant.more_freezers.garage] with the same keys",
    )  # fmt: skip


def _freezer(draft: Draft, freezer: FreezerSpec) -> Iterator[str]:
    """Yield what it freezes: by its rating plate where a change says so, else by its size."""
    if freezer.kg_per_day is not None:
        yield _line(f"kg_per_day = {freezer.kg_per_day:.4g}", "freezing capacity on its plate")
        return
    yield _line(
        f"litres = {freezer.litres:.0f}",
        _answer(draft, "freezer", "freezer_volume"),
        _marks(draft, "freezer", "freezer_volume"),
    )
    yield f"stars = {freezer.stars}"


def _room(draft: Draft) -> Iterator[str]:
    room, unit = draft.plant.room, draft.answers.unit
    yield from (
        "",
        "[plant.room]",
        _line(f"day_c = {_temperature(room.day_c, unit)}",
              f"hot afternoon, {_answer(draft, 'place')}", _marks(draft, "day")),
        _line(f"night_c = {_temperature(room.night_c, unit)}", "coolest hour",
              _marks(draft, "night")),
        _line(f'rh = "{100 * room.rh:.0f} %"', _answer(draft, "humidity"),
              _marks(draft, "humidity")),
    )  # fmt: skip
