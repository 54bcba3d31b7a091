"""``coldpin fit``: the plant's figures from its own records, and how sure each of them is."""

from __future__ import annotations

import math
import os
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from controller.cli import people
from controller.cli.extras import need
from controller.cli.files import OutputFile, not_written
from controller.cli.instances import CONFIG
from controller.cli.instants import instant
from controller.domain.places import state_directory
from controller.errors import RecordError
from controller.pictures.model_chart import Compared, model_chart
from controller.records.durable import replace_file
from controller.settings.fit_file import FittedFigure, fit_text
from controller.settings.load import Settings, read_settings

if TYPE_CHECKING:
    from controller.fit.fitting import Fit, Fitted

LONG_S = 60.0
"""What takes longer than this is announced [s]."""
SECOND_ROUND, USUAL_ROUNDS = 2, 13
POOR_K = 0.5
"""A model this far off needs an explanation [K]."""


@click.command()
@CONFIG
@click.option(
    "--days",
    type=click.FloatRange(1, 30),
    default=7.0,
    show_default=True,
    help="Days of records to use.",
)
@click.option("--until", "until_text", help="End of those days, ISO 8601; default: now.")
@click.option(
    "--out",
    type=OutputFile(),
    help="File for the figures; default: next to CONFIG, with -fit in its name.",
)
@click.option(
    "--html",
    "html_file",
    type=OutputFile(),
    help="Also draw what the model says beside what was recorded.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def fit(
    config: Path,
    days: float,
    until_text: str | None,
    out: Path | None,
    html_file: Path | None,
    as_json: bool,
) -> None:
    """Learn the figures of your equipment from a week of records.

    Needs readings of air, reservoir and room over warmer and cooler days, changes of whole sets of
    packs, and the packages of coldpin[fit]. It also runs on a laptop, from a restored backup. It
    names the figures that the records do not determine, and keeps them within their usual range.
    """
    need("fit", what="coldpin fit")
    if html_file is not None:
        need("lookout", what="--html")
    # these need packages that few installed
    from controller.fit import fitting  # noqa: PLC0415
    from controller.fit.record import read_stretches  # noqa: PLC0415

    path = out if out is not None else config.with_name(f"{config.stem}-fit.toml")
    settings = read_settings(config)
    until = datetime.now().astimezone()
    if until_text is not None:
        until = instant(until_text, option="--until", zone=settings.site.zone())
    try:
        stretches = read_stretches(
            settings, state_directory(config), since=until - timedelta(days=days), until=until
        )
        result = fitting.fit(
            stretches,
            settings.plant_spec(),
            on_round=FitProgress(time.monotonic),
        )
    except (OSError, RecordError) as error:
        raise RecordError(f"{config}: nothing can be fitted: {error}") from None
    document = _document(result, path)
    try:
        replace_file(path, _text(result, config))
        if html_file is not None:
            html_file.write_text(_page(result, settings), encoding="utf-8")
    except OSError as error:
        raise not_written(error.filename, error, option="--out, --html") from None
    if as_json:
        people.print_json(document)
    else:
        _print(document, config, path)


class FitProgress:
    """Shows what is being fitted, and how long it takes where that is more than a minute."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._began_s = clock()
        self._figures = 0
        self._shown_s = self._began_s

    def __call__(self, figures: int, number: int) -> None:
        """Take note of a round."""
        now_s = self._clock()
        if figures != self._figures:
            self._figures = figures
            self._say(f"Fitting {figures} figures.", now_s)
        elif number == SECOND_ROUND and (now_s - self._shown_s) * USUAL_ROUNDS > LONG_S:
            minutes = math.ceil((now_s - self._shown_s) * USUAL_ROUNDS / 60.0)
            self._say(f"This takes about {minutes} minutes on this machine.", now_s)
        elif now_s - self._shown_s > LONG_S:
            self._say(f"Round {number}, after {(now_s - self._began_s) / 60.0:.0f} minutes.", now_s)

    def _say(self, text: str, now_s: float) -> None:
        click.echo(text, err=True)
        self._shown_s = now_s


def _text(result: Fit, config: Path) -> str:
    figures: dict[tuple[str, str], FittedFigure] = {}
    for determined, group in (
        (True, result.fitted),
        (False, (*result.undetermined, *result.adjusted)),
    ):
        for each in group:
            part = getattr(result.spec, each.figure.part)
            span = f"{each.low:.3g} to {each.high:.3g} {each.figure.unit}".rstrip()
            note = span if determined else "not determined by this record, moved with the others"
            for key in each.figure.keys:
                value = each.value if key == each.figure.key else getattr(part, key)
                whole = "" if len(each.figure.keys) == 1 else f"{each.figure.what}: "
                figures.setdefault(
                    (each.figure.part, key),
                    FittedFigure(
                        part=each.figure.part, key=key, value=value,
                        note=(whole if determined else "") + note,
                    ),
                )  # fmt: skip
    return fit_text(
        list(figures.values()),
        made=datetime.now().astimezone(),
        about={
            "configuration": config.name,
            "days": round(result.days, 2),
            "whole_sets": result.sets,
            "air_misfit_k": round(result.air_rms_k, 3),
            "reservoir_misfit_k": round(result.reservoir_rms_k, 3),
        },
    )


def _document(result: Fit, path: Path) -> dict[str, Any]:
    return {
        "file": str(path),
        "days": round(result.days, 3),
        "whole_sets": result.sets,
        "fitted": [_figure_document(each) for each in result.fitted],
        "not_told": [_figure_document(each) for each in result.undetermined],
        "adjusted": [_figure_document(each) for each in result.adjusted],
        "air_misfit_k": result.air_rms_k,
        "reservoir_misfit_k": result.reservoir_rms_k,
        "air_probe_lag_s": result.lag_s,
        "reservoir_offset_k": result.offsets.water_k,
        "room_offset_k": result.offsets.room_k,
        "frozen": list(result.frozen),
    }


def _figure_document(each: Fitted) -> dict[str, Any]:
    return {
        "key": each.figure.name,
        "what": each.figure.what,
        "unit": each.figure.unit,
        "before": each.before,
        "value": each.value,
        "low": each.low,
        "high": each.high,
    }


def _print(document: dict[str, Any], config: Path, path: Path) -> None:
    console = people.console()
    table = people.table("key", "before", "fitted", "95 %")
    for each in document["fitted"]:
        table.add_row(
            each["key"],
            f"{each['before']:.3g}",
            people.bold(f"{each['value']:.3g}").append(f" {each['unit']}"),
            f"{each['low']:.3g} to {each['high']:.3g}",
        )
    console.print(table)
    for each in document["not_told"]:
        console.print(
            f"Not determined by this record: {each['key']} ({each['what']}), "
            f"{each['low']:.2g} to {each['high']:.2g} {each['unit']}."
        )
    console.print(
        "These figures hold together, and with "
        + ", ".join(
            f"{each['what']} {each['before']:.3g} → {each['value']:.3g} {each['unit']}".rstrip()
            for each in document["adjusted"]
        )
        + "; all of them are in the file."
    )
    console.print(
        f"From {document['days']:.1f} days and {document['whole_sets']} whole sets of packs. The "
        f"model stays within {document['air_misfit_k']:.2f} K of the air and "
        f"{document['reservoir_misfit_k']:.2f} K of the reservoir (root mean square). The "
        "intervals hold as far as the rest of [plant] is right."
    )
    if document["air_misfit_k"] > POOR_K or document["reservoir_misfit_k"] > POOR_K:
        console.print(
            people.bold("That is a poor fit").append(
                ": something happened that the model does not know (a door, lights, a pack change "
                "that was not logged), or the rest of [plant] is wrong. See --html."
            )
        )
    named = os.path.relpath(path, config.parent)
    console.print(f'Written to {path}. To use it, put  fitted = "{named}"  under [plant].')


def _page(result: Fit, settings: Settings) -> str:
    unit = settings.display.unit
    chart = model_chart(
        [
            Compared(
                at_s=reading.at_s,
                air_c=reading.air_c,
                air_model_c=air_c,
                reservoir_c=reading.water_c,
                reservoir_model_c=reservoir_c,
            )
            for course in result.courses
            for reading, air_c, reservoir_c in zip(
                course.stretch.seen, course.air_c, course.reservoir_c, strict=True
            )
        ],
        unit=unit,
        zone=settings.site.zone(),
    )
    from controller.pictures.html import standalone_page  # noqa: PLC0415 - needs an extra

    return standalone_page(
        title=f"{settings.chamber.name}: model and record",
        lead="What the probes showed, and what the fitted plant makes of the same pump, fan, "
        "room and swaps.",
        facts=(
            ("record", f"{result.days:.1f} days, {result.sets} whole sets"),
            ("misfit of the air", f"{result.air_rms_k:.2f} K"),
            ("misfit of the reservoir", f"{result.reservoir_rms_k:.2f} K"),
        ),
        charts=[chart],
        tables=[
            (
                "Figures of the plant",
                ("key", "before", "fitted", "95 %", "unit"),
                [
                    (each.figure.name, f"{each.before:.3g}", f"{each.value:.3g}",
                     f"{each.low:.3g} to {each.high:.3g}", each.figure.unit)
                    for each in result.fitted
                ],
            )
        ],
    )  # fmt: skip
