"""``coldpin check``: judge a configuration without touching anything, and show what it means."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.text import Text

from controller.cli import people
from controller.cli.configurations import configurations
from controller.cli.expectation import print_cycles, print_early_start, shown_hours
from controller.cli.files import OutputFile, not_written
from controller.cli.instances import Instance, only_instance
from controller.commissioning.host import host_findings
from controller.domain.places import named_state_directory, records_path
from controller.domain.reading_rows import place_words
from controller.domain.supply import SupplyKind
from controller.errors import PhysicsError, SettingsError
from controller.outputs import header
from controller.outputs.header import PIN_OF_LINE, line_number
from controller.outputs.mains_rule import is_mains, wet_limit_v
from controller.pictures import words
from controller.pictures.wiring_diagram import WiredLine, WiringPlan, wiring_svg
from controller.planning.build import Build
from controller.planning.proposal import proposal_of
from controller.planning.verdict import deciding_days
from controller.planning.weather_spell import placed_plant
from controller.probes.one_wire import list_ids
from controller.rehearsal.room_file import room_series
from controller.service.wiring import Plan, plan_of
from controller.settings.load import Settings
from controller.settings.models import Night, Stage
from controller.settings.several_chambers import NamedChamber, side_by_side
from controller.settings.simulation import PLANT_PARTS
from controller.settings.species import disagreements, species_of

WIDTH_FOR_WIRING = 78

CAUTIONS = (
    "Switch off and unplug before you open or change any wiring.",
    "Put every mains outlet of the chamber behind a residual-current device (30 mA or less).",
    "Lead each cord through a drip loop; mount relays and supplies above the highest water.",
    "Fuse each supply close to it; give a DC motor a flyback path.",
    "See that every load is off while the computer starts.",
    "Local codes come before this list. Leave mains wiring to a licensed electrician.",
)


@click.command()
@click.argument("configs", nargs=-1, type=Instance(), metavar="[CONFIG]...")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
@click.option(
    "--wiring",
    "wiring_file",
    type=OutputFile(),
    help="Draw the wiring into an SVG file.",
)
def check(configs: tuple[Path, ...], as_json: bool, wiring_file: Path | None) -> None:
    """Check CONFIGS: list every problem, or show what each will do.

    A configuration without problems is shown as tables: its bands, its probes and its wiring.
    A folder stands for every configuration in it. With several, it also checks that pins, probes,
    ports and shared supplies of one machine fit together.
    """
    configs = configs or (only_instance(),)
    paths = configurations(configs)
    if len(configs) > 1 or configs[0].is_dir():
        _check_several(paths, as_json=as_json, wiring_file=wiring_file)
        return
    (config,) = paths
    plan = plan_of(config, needs_fit=True)
    on_bus = _ids_on_bus(plan.settings)
    problems = [
        *missing_probes(plan.settings, on_bus),
        *_room_problems(plan.settings, config.parent),
    ]
    if problems:
        raise SettingsError(str(config), tuple(problems))
    if wiring_file is not None:
        _draw_wiring(plan, wiring_file)
    warnings = [*warnings_of(plan), *_of_the_host(config, plan)]
    if as_json:
        people.print_json({**_document(config, plan), "warnings": warnings})
        return
    console = people.console()
    settings = plan.settings
    console.print(
        Text(f"{config} can be used: chamber ").append(people.bold(settings.chamber.name)),
        soft_wrap=True,
    )
    _print_bands(console, settings)
    for warning in warnings:
        console.print(f"warning: {warning}")
    _print_probes(console, settings, on_bus)
    _print_wiring(console, plan)
    _print_expectation(console, settings, config.parent)
    console.print("\nCautions", style="bold")
    for caution in CAUTIONS:
        console.print(f"- {caution}")


def _room_problems(settings: Settings, folder: Path) -> list[str]:
    """Return what is wrong with the file that the settings name for the room."""
    try:
        room_series(settings, folder)
    except SettingsError as error:
        return [f"{error.where}: {problem}" for problem in error.problems]
    return []


def _of_the_host(config: Path, plan: Plan) -> Iterator[str]:
    try:
        place = named_state_directory(config)
    except OSError:
        place = config.parent
    records = records_path(plan.settings.records.path, place)
    switches = any(load.hardware for load in plan.loads)
    yield from host_findings(records, switches=switches)


def warnings_of(plan: Plan) -> Iterator[str]:
    """Yield what a grower should look at, though it stops nothing."""
    species = species_of(plan.settings)
    if species is not None:
        yield from disagreements(plan.settings, species)
    for load in plan.loads:
        supply = load.load.supply
        if not is_mains(supply) and supply.volts > wet_limit_v(supply):
            yield (
                f"loads.{load.name}.supply: {supply} beside fog and water may hurt wet hands; the "
                f"limit there is {wet_limit_v(supply):g} V {supply.kind.value}. Use a "
                f"{load.name} for 12 V or 24 V DC"
            )
        if load.driver_name == "gpio":
            line = header.line_number(load.options["pin"])
            found = header.caution(line, active_low=load.options.get("active_low", False))
            if found is not None:
                yield f"loads.{load.name}.pin: {found}"


def _check_several(paths: list[Path], *, as_json: bool, wiring_file: Path | None) -> None:
    if wiring_file is not None:
        raise click.UsageError("--wiring draws one configuration; name one")
    plans: dict[Path, Plan] = {}
    problems: list[str] = []
    for path in paths:
        try:
            plans[path] = plan_of(path, needs_fit=True)
        except SettingsError as error:
            problems += [f"{path.name}: {problem}" for problem in error.problems]
            continue
        in_room = _room_problems(plans[path].settings, path.parent)
        problems += [f"{path.name}: {problem}" for problem in in_room]
    problems += side_by_side(
        [
            NamedChamber(name=path.stem, settings=plan.settings, lines=plan.lines)
            for path, plan in plans.items()
        ]
    )
    if problems:
        raise SettingsError("these configurations side by side", tuple(problems))
    if as_json:
        people.print_json(
            {
                "chambers": [_document(path, plan) for path, plan in plans.items()],
                "warnings": [
                    f"{path.name}: {warning}"
                    for path, plan in plans.items()
                    for warning in warnings_of(plan)
                ],
            }
        )
        return
    console = people.console()
    table = people.table("configuration", "chamber", "stage", "lines", "page at port")
    for path, plan in plans.items():
        table.add_row(
            path.name,
            plan.settings.chamber.name,
            plan.settings.chamber.stage,
            ", ".join(sorted(plan.lines)) or "none",
            str(plan.settings.lookout.port),
        )
    console.print(table)
    count = words.counted(len(plans), "chamber")
    console.print(f"{count} can be used side by side on one machine.")


def _draw_wiring(plan: Plan, path: Path) -> None:
    try:
        path.write_text(wiring_svg(wiring_of(plan)), encoding="utf-8")
    except OSError as error:
        raise not_written(path, error, option="--wiring") from None


def wiring_of(plan: Plan) -> WiringPlan:
    """Return what is drawn of a plan."""
    settings = plan.settings

    def pin_words(number: object) -> str:
        line = line_number(number)
        return f"GPIO{line}, header pin {PIN_OF_LINE[line]}"

    return WiringPlan(
        chamber=settings.chamber.name,
        lines=[
            WiredLine(
                name=load.name,
                pin=pin_words(load.options["pin"])
                if load.driver_name == "gpio"
                else (load.wiring if load.hardware else ""),
                active_low=bool(load.options.get("active_low", False)),
                supply=str(load.load.supply),
                current_a=load.load.current_a,
                kind=load.load.kind.value,
                direct=load.load.supply.kind is SupplyKind.DC,
                mains=is_mains(load.load.supply),
                relay_module=load.relay_module,
            )
            for load in plan.loads
        ],
        bus_pin=pin_words(settings.one_wire.pin),
        probes=[
            (place_words(name), probe.id or probe.kind)
            for name, probe in settings.probes.fitted().items()
        ],
        level_pin="" if settings.inputs.level is None else pin_words(settings.inputs.level.pin),
    )


def _ids_on_bus(settings: Settings) -> tuple[str, ...] | None:
    """Return the ids that Linux shows, None where this machine has no 1-Wire at all."""
    root = Path(settings.one_wire.root)
    if settings.probes.air.kind != "one-wire" or not root.is_dir():
        return None
    return list_ids(root)


def missing_probes(settings: Settings, on_bus: tuple[str, ...] | None) -> list[str]:
    """Return a problem for each configured probe that is not on the bus.

    Args:
        settings: What is configured.
        on_bus: Ids that Linux shows; None where there is no bus to compare with.
    """
    if on_bus is None:
        return []
    there = ", ".join(on_bus) or "none at all"
    return [
        f'probes.{name}.id: found "{probe.id}", which is not on the bus, allowed: {there}; '
        "`coldpin probes` shows what each one reads"
        for name, probe in settings.probes.fitted().items()
        if probe.id is not None and probe.id.lower() not in on_bus
    ]


def _print_bands(console: Console, settings: Settings) -> None:
    unit = settings.display.unit
    table = people.table("stage", "cut-in", "cut-out", "when", title="\nBands")
    for name, stage in settings.stages.items():
        shown = f"{name} (now)" if name == settings.chamber.stage else name
        bands: list[tuple[str, Stage | Night, str]] = [(shown, stage, "all day")]
        if stage.night is not None:
            hours = f"{stage.night.from_:%H:%M} to {stage.night.to:%H:%M}"
            bands = [(shown, stage, "otherwise"), ("", stage.night, hours)]
        for label, band, when in bands:
            cut_in, cut_out = (
                words.temperature(band.cut_in, unit),
                words.temperature(band.cut_out, unit),
            )
            table.add_row(label, cut_in, cut_out, when)
    console.print(table)


def _print_probes(console: Console, settings: Settings, on_bus: tuple[str, ...] | None) -> None:
    table = people.table("probe", "kind", "id", "offset", title="\nProbes")
    for name, probe in settings.probes.fitted().items():
        offset = words.offset(probe.offset / 1000, settings.display.unit)
        table.add_row(name, probe.kind, probe.id or "–", offset)
    console.print(table)
    if settings.probes.air.kind == "one-wire" and on_bus is None:
        console.print(
            f"No 1-Wire bus on this machine ({settings.one_wire.root}): ids were not looked for."
        )
    if settings.probes.room is None:
        console.print(
            "No room probe: without one, a heat wave is seen late and swap due is less sure."
        )


def _print_expectation(console: Console, settings: Settings, folder: Path) -> None:
    """Print the cycle to expect, where the plant is described."""
    if not any(getattr(settings.plant, part).model_fields_set for part in PLANT_PARTS):
        return
    try:
        placed = placed_plant(settings, folder)
        build = Build(settings=settings, plant=placed.plant, room=placed.room)
        days = deciding_days(build)
        proposal = (
            None
            if days is None
            else proposal_of(settings, days.reservoir_mean_c, plant=placed.plant)
        )
    except PhysicsError as error:
        console.print(f"\nThe cycle cannot be worked out for this equipment: {error}")
        return
    if days is None:
        console.print("\nOn a hot day this chamber grows far too hot; `coldpin size` says why.")
        return
    print_cycles(console, shown_hours(days, build.plant), proposal, settings.display.unit)
    print_early_start(console, build, days)


def _print_wiring(console: Console, plan: Plan) -> None:
    columns = ("load", "wiring", "supply", "current", "relay module", "why it is allowed")
    rows = [
        (
            load.name,
            load.wiring,
            str(load.load.supply),
            f"{load.load.current_a:g} A {load.load.kind.value}",
            load.relay_module or "none named",
            load.why_allowed,
        )
        for load in plan.loads
    ]
    if console.width < WIDTH_FOR_WIRING:  # six narrow columns cannot be read
        console.print("\nWiring")
        for row in rows:
            console.print(row[0], style="bold")
            for column, advice in zip(columns[1:], row[1:], strict=True):
                console.print(f"  {column}: {advice}")
    else:
        table = people.table(*columns, title="\nWiring")
        for row in rows:
            table.add_row(*row)
        console.print(table)
    if plan.dry:
        console.print("Nothing real is switched: every driver is dry.")


def _document(config: Path, plan: Plan) -> dict[str, Any]:
    settings = plan.settings
    return {
        "config": str(config),
        "chamber": settings.chamber.name,
        "stage": settings.chamber.stage,
        "dry": plan.dry,
        "stages": {name: _bands_document(stage) for name, stage in settings.stages.items()},
        "probes": {
            name: {"kind": probe.kind, "id": probe.id, "offset_k": probe.offset / 1000}
            for name, probe in settings.probes.fitted().items()
        },
        "loads": {
            load.name: {
                "driver": load.driver_name,
                "wiring": load.wiring,
                "supply": str(load.load.supply),
                "mains": is_mains(load.load.supply),
                "current_a": load.load.current_a,
                "load_kind": load.load.kind.value,
                "relay_module": load.relay_module,
                "why_allowed": load.why_allowed,
            }
            for load in plan.loads
        },
        "cautions": list(CAUTIONS),
    }


def _bands_document(stage: Stage) -> dict[str, Any]:
    document: dict[str, Any] = {
        "cut_in_c": stage.cut_in / 1000,
        "cut_out_c": stage.cut_out / 1000,
    }
    if stage.night is not None:
        document["night"] = {
            "cut_in_c": stage.night.cut_in / 1000,
            "cut_out_c": stage.night.cut_out / 1000,
            "from": f"{stage.night.from_:%H:%M}",
            "to": f"{stage.night.to:%H:%M}",
        }
    return document
