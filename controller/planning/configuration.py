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
from controller.thermal.specs import PlantSpec

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
        f'unit = "{_unit(answers)}"',
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


def _unit(answers: Answers) -> str:
    return "F" if answers.us else "C"


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
    unit = _unit(draft.answers)
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


def _coil(draft: Draft) -> Iterator[str]:
    """Yield the core: by its label where that was given, else by its conductances."""
    answers, coil = draft.answers, draft.plant.coil
    core, fan = (_words(answers, key) for key in ("core", "fan"))
    kept = coil == equipment_of(answers).coil  # else a change made it another one
    yield from ("", "[plant.coil]")
    if answers.text("core") == RATED and kept:
        yield from (
            _line(f'rated_w_per_k = "{answers.of["rating"].text}"', "its label or a bench test"),
            _line(f'rated_air_m3_h = "{answers.of["rated_air"].text}"', "air in that test",
                  _mark(answers, "rated_air")),
            _line(f'rated_l_min = "{answers.of["rated_water"].text}"', "water in that test",
                  _mark(answers, "rated_water")),
            _line(f"air_kg_s = {coil.air_kg_s:g}", f"in your chamber: {answers['fans']} x {fan}",
                  _mark(answers, "fan")),
        )  # fmt: skip
        return
    mark = _mark(answers, "core") or _mark(answers, "fan")
    yield from (
        _line(f"ua_air_w_k = {coil.ua_air_w_k:.4g}",
              f"watts from air to fins for each kelvin: core {core}, fan {fan}", mark),
        _line(f"ua_water_w_k = {coil.ua_water_w_k:.4g}", "and from fins to water"),
        _line(f"air_kg_s = {coil.air_kg_s:g}", "air that the fans move, kilograms a second"),
    )  # fmt: skip


def _equipment(draft: Draft) -> Iterator[str]:
    answers, plant, unit = draft.answers, draft.plant, _unit(draft.answers)
    chamber, coil, packs, freezer = plant.chamber, plant.coil, plant.packs, plant.freezer
    water, room = plant.reservoir, plant.room
    yield ""
    if draft.applied:
        yield "# Changed from your answers:"
        yield from (f"# - {each.what}" for each in draft.applied)

    def answer(*keys: str) -> str:
        return ", ".join(_words(answers, key) for key in keys if key in answers.of)

    def mark(*keys: str) -> str:
        return next((found for key in keys if (found := _mark(answers, key))), "")

    yield from (
        "[plant.chamber]",
        _line(f'size = "{answer("size")}"', "outside", mark("size")),
        _line(f"wall_u_w_m2k = {chamber.wall_u_w_m2k:.3g}", answer("walls"), mark("walls")),
        _line(f"air_changes_per_h = {chamber.air_changes_per_h:g}",
              f"fresh air: {answer('fresh_air')}", mark("fresh_air")),
        _line(f'rh = "{100 * chamber.rh:.0f} %"', "what this species wants"),
        _line(f"lights_w = {chamber.lights_w:g}", "while they are on", mark("lights")),
        _line(f"fans_w = {chamber.fans_w:g}", "the coil's fans", mark("core", "fan")),
        _line(f'crop_kg = "{measures.weight_text(chamber.crop_kg, unit)}"', "all blocks together",
              mark("blocks")),
        _line(f"crop_w_per_kg = {chamber.crop_w_per_kg:g}", "heat of a fruiting block",
              " (assumed: not asked)"),
        _line(f"humidifier_kg_per_h = {chamber.humidifier_kg_per_h:g}", answer("humidifier"),
              mark("humidifier")),
        *_coil(draft),
        _line(f"water_kg_s = {coil.water_kg_s:g}",
              f"half of the {answer('pump')} on the pump's box", mark("pump")),
        "",
        "[plant.reservoir]",
        _line(f'litres = "{measures.volume_text(water.litres, unit)}"',
              f"water beside the packs in {answer('cooler_volume')}", mark("cooler_volume")),
        _line(f"ua_w_k = {water.ua_w_k:g}", f"heat leak: {answer('cooler')}", mark("cooler")),
        _line(f"pump_w = {water.pump_w:g}", "by its flow", " (assumed: not asked)"),
        "",
        "[plant.packs]",
        _line(f"count = {packs.count}", "in all", mark("packs")),
        _line(f"in_reservoir = {packs.in_reservoir}", "in the water", mark("packs_in_water")),
        _line(f"kg = {packs.kg:g}", answer("pack"), mark("pack")),
        f'fill = "{packs.fill}"',
        f'shape = "{packs.shape}"',
        f"thickness_mm = {packs.thickness_mm:g}",
        "",
        "[plant.freezer]",
        *([f"kg_per_day = {freezer.kg_per_day:g}"] if freezer.kg_per_day is not None else []),
        _line(f"litres = {freezer.litres:.0f}",
              " ".join(filter(None, (answer("freezer"), answer("freezer_volume")))),
              mark("freezer", "freezer_volume")),
        f"stars = {freezer.stars}",
        _line(f'food = "{freezer.food}"', "a loaded freezer freezes less", mark("food")),
        "",
        "[plant.room]",
        _line(f"day_c = {_temperature(room.day_c, unit)}", f"hot afternoon, {answer('place')}",
              mark("day")),
        _line(f"night_c = {_temperature(room.night_c, unit)}", "coolest hour", mark("night")),
        _line(f'rh = "{100 * room.rh:.0f} %"', answer("humidity"), mark("humidity")),
    )  # fmt: skip
