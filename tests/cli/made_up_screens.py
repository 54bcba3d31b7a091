"""Screens with figures that stand in the test: every sentence, its rounding and its unit.

python -m tests.cli.made_up_screens

writes the texts anew, into one file; read the difference before it is kept. The screens of whole
commands are in `kept_screens`, where figures of a simulation are left out.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from unittest import mock

import click
from rich.console import Console

from controller.cli import (
    chambers,
    check,
    expectation,
    fit,
    interview,
    keys,
    new,
    people,
    rehearse,
    size,
    size_page,
)
from controller.cli import rehearsal_comparison as comparison
from controller.cli import rehearsal_screen as rehearsed
from controller.cli import report as reported
from controller.cli.rehearsal_page import _notice_rows
from controller.domain.alarms import AlarmName
from controller.errors import PhysicsError
from controller.history.alarm_figures import PastAlarm
from controller.history.report import Report
from controller.planning.answers import complete
from controller.planning.build import Build
from controller.planning.ideas import Effort
from controller.planning.verdict import Judgement, Limit, Verdict
from controller.rehearsal.comparison import Outcome
from controller.rehearsal.season import Week
from controller.rehearsal.tally import HalfHour
from controller.settings.plant_sources import Assumed
from tests.cli.made_up import (
    CHANGES,
    DAYS,
    DESIGN,
    PROPOSAL,
    SPELL,
    SUPPLY,
    change,
    judged,
    settings_in,
)

FILE = Path(__file__).parent / "screens" / "made-up.txt"
HOLDS, SHORT, CANNOT = Verdict.HOLDS, Verdict.SHORT, Verdict.CANNOT
COLD = judged(Verdict.NEEDS_HEAT, Limit.ROOM)
NEVER = replace(SUPPLY, refreeze_h=float("inf"), packs_per_day=None, mean_h=None, worst_h=None)
ASSUMED = (
    Assumed(key="plant.packs.kg", value=0.6, about="one pack [kg]; common practice, no source"),
)
VAGUE = tuple(
    Assumed(key=f"plant.{key}", value=1, about="")
    for key in ("chamber.wall_area_m2", "packs.count", "packs.kg")
)
BEGAN = datetime(2026, 7, 1, 7, 0, tzinfo=UTC)
"""A Wednesday."""
MINUTE = timedelta(minutes=1)


def _json(document: dict[str, Any]) -> None:
    click.echo(json.dumps(document, indent=1, ensure_ascii=False))


def _answer(judgement: Judgement, *, unit: str = "C", **other: Any) -> None:
    given = {"changes": (), "assumed": (), "spell": None, **other}
    size._print_answer(people.console(), settings_in(unit), judgement, *given.values())


COLD_TO_SPARE = replace(DAYS, degree_hours_above=1.0, air_max_c=17.2)
"""Days of a chamber that is offered an early start."""


def _details(judgement: Judgement, *, unit: str = "C") -> None:
    with mock.patch.object(size, "proposal_of", return_value=PROPOSAL):
        size._print_details(people.console(), settings_in(unit), judgement, ASSUMED)


def _answer_of_a_room_file() -> None:
    settings = settings_in()
    room = settings.plant.room.model_copy(update={"csv": "room [a].csv"})
    plant = settings.plant.model_copy(update={"room": room})
    judgement = judged(HOLDS)
    judgement = replace(judgement, build=replace(judgement.build, room=SPELL.room))
    console = people.console()
    size._print_answer(
        console, settings.model_copy(update={"plant": plant}), judgement, (), (), None
    )
    simulation = settings.simulation.model_copy(update={"weather": "year.epw"})
    size._print_answer(
        console, settings.model_copy(update={"simulation": simulation}), judgement, (), (), None
    )


def _verdict(judgement: Judgement, *better: Any, fails_at: datetime | None = None) -> None:
    new._print_verdict(people.console(), _consulted(judgement, fails_at), better)


def _consulted(judgement: Judgement, fails_at: datetime | None = None) -> Any:
    return SimpleNamespace(
        judgement=judgement, settings=judgement.build.settings, fails_at=fails_at,
        rows=[SimpleNamespace(time=BEGAN)], answers=complete({"species": "?", "volume": "0.5"}),
        applied=(),
    )  # fmt: skip


def _page(judgement: Judgement, *changes: Any) -> None:
    def shown(**parts: Any) -> str:
        bars = [
            f"{title}: {bar.label}, {bar.value}, {bar.share:.4f}"
            for title, of in parts.pop("bars")
            for bar in of
        ]
        return "\n".join([*(f"{name}: {value}" for name, value in parts.items()), *bars])

    with (
        mock.patch.object(size_page, "standalone_page", shown),
        mock.patch.object(size_page, "hot_days_chart", lambda _s, rows, about: (rows, about)),
    ):
        click.echo(size_page.size_page(settings_in("F"), judgement, changes, []))


PLAIN = Outcome(
    in_band_share=0.94321, above_k_h=8.5, below_k_h=0.8, over_1k_h=4.04, warm_spells=2,
    warned_in_time=1, packs_used=40, starts=364, shortest_run_s=120.0, shortest_rest_s=220.0,
)  # fmt: skip
OUTCOMES = {
    "plain": PLAIN,
    "alone": replace(PLAIN, above_k_h=9.8, starts=360),
    "notified": replace(PLAIN, above_k_h=0.4, starts=427),
}


def _rehearsal(**other: Any) -> Any:
    counts: dict[str, Any] = {
        "settings": settings_in(), "days": 1.5, "seed": 7, "started": BEGAN, "packs_used": 8,
        "swaps": [1, 2],
        "lookout": SimpleNamespace(
            notices=[{"t_s": 3600.0, "text": "Change 4 packs."}, {"t_s": 90_000, "text": "Done."}]
        ),
        "chamber": SimpleNamespace(
            account=lambda: SimpleNamespace(ice_melted_kg=2.04, heat_removed_kj=1080.0)
        ),
        "tally": SimpleNamespace(
            air_c=SimpleNamespace(document=lambda _: {"min": 14.04, "mean": 16.26, "max": 18.9}),
            reservoir_c=SimpleNamespace(document=lambda _: {"min": 1.0, "mean": 6.0, "max": 11.0}),
            lasted_s=1.0, in_band_share=0.98765, degree_hours_above=1.236, degree_hours_below=0.5,
            starts=1, duty=0.2345, shortest_run_s=119.0, shortest_rest_s=None,
            alarms=[
                SimpleNamespace(name="air_high", about="", raised_t_s=600.0, cleared_t_s=7800.0),
                SimpleNamespace(name="air_high", about="", raised_t_s=9000.0, cleared_t_s=9600.0),
                SimpleNamespace(name="air_low", about="", raised_t_s=600.0, cleared_t_s=None),
            ],
            half_hours=[
                *(half_hour(above=180.0, pump=0.0),) * 2, half_hour(above=181.0, pump=1800.0),
                half_hour(below=180.0, pump=900.0), half_hour(below=181.0, pump=112.0),
                *(half_hour(pump=113.0),) * 44,
            ],
        ),
    }  # fmt: skip
    return SimpleNamespace(**{**counts, **other})


def half_hour(*, above: float = 0.0, below: float = 0.0, pump: float = 0.0) -> HalfHour:
    """Return half an hour out of band for so long [s]."""
    return HalfHour(lasted_s=1800.0, above_s=above, below_s=below, pump_s=pump)


def _rehearsed(unit: str = "C", season: Any = None) -> None:
    run = _rehearsal(settings=settings_in(unit))
    week = Week(
        first=date(2001, 7, 1), days=7, in_band_share=0.87654, packs=12,
        worst_day=date(2001, 7, 3), worst_day_share=0.5432,
    )  # fmt: skip
    with mock.patch("controller.cli.rehearsal_weather.weeks_of", return_value=[week]):
        rehearsed.print_rehearsal(run, "calm-day", "A calm day.", 2.345, season)


SEASON: Any = SimpleNamespace(place="Larkmoor [north]", hottest=SPELL.outdoors)


def _against() -> None:
    runs = [SimpleNamespace(rehearsal=_rehearsal(), wall_s=wall_s) for wall_s in (1.5, 2.0, 4.25)]
    rehearse._print_comparison(settings_in(), "calm-day", runs[0], tuple(runs[1:]), OUTCOMES)  # type: ignore[arg-type]


def _against_document(season: Any = None, others: Any = True) -> None:
    runs = [SimpleNamespace(rehearsal=each, wall_s=1.0) for each in ("ours", "plain", "alone")]
    week = SimpleNamespace(document=lambda: {"packs": 12})
    with (
        mock.patch.object(rehearse, "rehearsal_document", lambda run, **more: {"run": run, **more}),
        mock.patch.object(rehearse, "weeks_of", lambda run: [week] if run == "ours" else []),
    ):
        given = (tuple(runs[1:]), OUTCOMES) if others else (None, None)
        _json(rehearse._document(runs[0], *given, "c.toml", "calm-day", season))  # type: ignore[arg-type]


def _outcomes() -> None:
    runs: list[Any] = [SimpleNamespace(rehearsal=name) for name in ("ours", "plain", "other")]
    with mock.patch.object(rehearse, "outcome_of", str):
        for foresee in (True, False):
            _json(rehearse._outcomes(runs[0], (runs[1], runs[2]), foresee=foresee))


def _report(gaps: int, **other: Any) -> None:
    alarm = PastAlarm(name=AlarmName.AIR_HIGH, about="", raised=BEGAN, cleared=None)
    report = Report(
        since=BEGAN, until=BEGAN + timedelta(days=1), recorded_s=80_000.0,
        switches_known_s=80_000.0, pump_s=20_000.0, starts=12,
        duty_by_hour=[None, 0.0, 0.06, 0.07, 0.5, 0.94, 1.0, *[0.2] * 17],
        alarms=[replace(alarm, cleared=BEGAN + timedelta(hours=2)), alarm],
        gaps=[(BEGAN + n * MINUTE, BEGAN + 2 * n * MINUTE) for n in range(gaps)],
    )  # fmt: skip
    reported._print_for_people(replace(report, **other), settings_in())


def _expected(days: Any) -> None:
    """Print what `check` expects of days, or of equipment that cannot be worked out."""

    class GivenDays(Build):
        def days(self, *_: Any, **__: Any) -> Any:
            if days == "impossible":
                raise PhysicsError("the air is 80 °C")
            return days

    placed = SimpleNamespace(plant=settings_in().plant_spec(), room=None)
    with (
        mock.patch.object(check, "Build", GivenDays),
        mock.patch.object(check, "placed_plant", return_value=placed),
        mock.patch.object(check, "proposal_of", return_value=PROPOSAL),
    ):
        check._print_expectation(people.console(), settings_in(), Path())


def _expected_of_nothing() -> None:
    settings = settings_in()
    plant = type(settings.plant)()
    check._print_expectation(people.console(), settings.model_copy(update={"plant": plant}), Path())


def _cycles(proposal: Any) -> None:
    hours = expectation.shown_hours(DAYS, settings_in().plant_spec())
    expectation.print_cycles(people.console(), hours[:1], proposal, "C")


class Figure(SimpleNamespace):
    """A figure of a fit, as far as it is shown; one may stand for several keys."""

    def __init__(self, key: str, *, unit: str = "W/K", keys: tuple[str, ...] = ()) -> None:
        super().__init__(
            part="coil", key=key, unit=unit, what=f"the {key}", name=f"plant.coil.{key}",
            keys=keys or (key,),
        )  # fmt: skip


def fitted(figure: Figure, value: float) -> Any:
    """Return what a fit made of a figure."""
    return SimpleNamespace(
        figure=figure, before=1.23456, value=value, low=0.9 * value, high=1.1 * value
    )


RESULT: Any = SimpleNamespace(
    fitted=(
        fitted(Figure("rated_w_per_k", keys=("ua_air_w_k", "air_kg_s")), 12.3456),
        fitted(Figure("ua_water_w_k"), 345.678),
    ),
    undetermined=(fitted(Figure("water_kg_s", unit="kg/s"), 0.0345678),),
    adjusted=(fitted(Figure("air_kg_s", unit=""), 0.111111), fitted(Figure("rh", unit=""), 0.9)),
    spec=SimpleNamespace(coil=SimpleNamespace(ua_air_w_k=55.5, air_kg_s=0.22)),
    days=7.12345, sets=9, air_rms_k=0.123456, reservoir_rms_k=0.51, lag_s=61.0,
    offsets=SimpleNamespace(water_k=0.1, room_k=-0.2), frozen=(1.0, 0.9),
    courses=[
        SimpleNamespace(
            stretch=SimpleNamespace(seen=[SimpleNamespace(at_s=5.0, air_c=16.0, water_c=4.0)]),
            air_c=[16.5], reservoir_c=[4.5],
        )
    ],
)  # fmt: skip


def _fit(**misfits: float) -> None:
    folder = Path("/etc/coldpin")
    document = {**fit._document(RESULT, folder / "loft-fit.toml"), **misfits}
    fit._print(document, folder / "loft.toml", folder / "loft-fit.toml")


def _fit_page() -> None:
    def page(**parts: Any) -> str:
        return "\n".join(f"{name}: {value}" for name, value in parts.items())

    with (
        mock.patch("controller.pictures.html.standalone_page", page),
        mock.patch.object(fit, "model_chart", lambda points, **how: (points, how["unit"])),
    ):
        click.echo(fit._page(RESULT, settings_in("F")))


def _fit_text() -> None:
    text = fit._text(RESULT, Path("/etc/coldpin/loft.toml"))
    click.echo(re.sub(r"\d{4}-\d\d-\d\dT[\d:+.]+", "NOW", text))


def _keys(names: tuple[str, ...], *, markdown: bool = False) -> None:
    tables = keys.chosen(keys.key_tables(), names)
    if markdown:
        click.echo(keys.as_markdown(tables))
    else:
        keys._print_for_people(tables)


def _budgets() -> None:
    budget: Any = SimpleNamespace(
        hours=24.0, wanted=12, frozen=9.96, keeps_up=False, by_chamber=(("loft", 8), ("shelf", 4)),
        without=(("loft", BEGAN, 3),), unknown=("attic",),
    )  # fmt: skip
    _json(chambers._budget_document(budget))


def _questions(width: int) -> None:
    """Print the first questions as they are put, with what is said to odd answers."""
    typed = iter(
        [
            "<",
            "99",
            "?",
            "",
            "nothing like it",
            "oyster",
            "",
            "all",
            "king",
            "?",
            "<",
            "<",
            "us",
            "",
        ]
    )

    def ask() -> str:
        line = next(typed, None)
        if line is None:
            raise KeyboardInterrupt
        click.echo(f"> {line}")
        return line

    console = Console(width=width, highlight=False, markup=False)
    with contextlib.suppress(KeyboardInterrupt):
        interview.Interview(console, ask, lambda _: None).texts({"species": "no such species"})


def _every_question(width: int) -> None:
    """Print each question as it is put where everything before it has its usual answer."""
    known = {key: answer.value for key, answer in complete({}).of.items()}
    talk = interview.Interview(
        Console(width=width, highlight=False, markup=False), str, lambda _: None
    )
    for question in interview.every_question():
        usual = interview.one_of(question.default(known), known)
        talk._put(question, known, usual, can_go_back=True)


SCREENS: dict[str, Callable[[], None]] = {
    "size of a build that holds": lambda: _answer(judged(HOLDS), changes=CHANGES),
    "size of one that runs short, in °F": lambda: _answer(
        judged(SHORT, unit="F"), unit="F", changes=CHANGES, spell=SPELL
    ),
    "size of one that nothing helps": lambda: _answer(judged(CANNOT, Limit.COIL)),
    "size of one that needs heat": lambda: _answer(COLD),
    "size of an example": lambda: _answer(judged(HOLDS), assumed=VAGUE),
    "size in a room of its own": _answer_of_a_room_file,
    "size --details": lambda: _details(judged(HOLDS)),
    "size --details: cold to spare": lambda: _details(judged(HOLDS, days=COLD_TO_SPARE)),
    "size --details in °F, nothing freezes, no days": lambda: _details(
        judged(CANNOT, unit="F", days=None, supply=NEVER), unit="F"
    ),
    "size --json": lambda: _json(
        size.size_document(judged(HOLDS), CHANGES, ASSUMED, PROPOSAL, SPELL)
    ),
    "size --json without days": lambda: _json(
        size.size_document(judged(CANNOT, days=None, supply=NEVER), (), (), None)
    ),
    "size --json where sets last for ever": lambda: _json(
        size._supply_document(judged(HOLDS, supply=replace(SUPPLY, mean_h=None)))
    ),
    "size --html": lambda: _page(judged(SHORT), *CHANGES),
    "size --html of a build that nothing helps": lambda: _page(judged(CANNOT, days=None)),
    "size --html of a build that needs heat": lambda: _page(COLD),
    "size --html of a build that holds": lambda: _page(judged(HOLDS)),
    "new: holds": lambda: _verdict(judged(HOLDS)),
    "new: holds, and ice can be saved": lambda: _verdict(judged(HOLDS), *CHANGES),
    "new: one change is enough": lambda: _verdict(
        judged(SHORT), change("fan", gain=0.2), *CHANGES, fails_at=BEGAN + 57 * 60 * MINUTE
    ),
    "new: no single change is enough": lambda: _verdict(
        judged(SHORT, unit="F"), CHANGES[1], replace(CHANGES[1], key="b", effort=Effort.DO)
    ),
    "new: nothing helps": lambda: _verdict(judged(CANNOT, Limit.COIL)),
    "new: needs heat": lambda: _verdict(COLD),
    "new --json": lambda: _json(
        new._document(Path("c.toml"), _consulted(judged(SHORT), BEGAN), CHANGES)
    ),
    "new --json of a build that holds": lambda: _json(
        new._document(Path("c.toml"), _consulted(judged(HOLDS, supply=NEVER)), CHANGES)
    ),
    "new: written": lambda: new._print_written(people.console(), Path("c.toml")),
    "check: the cycle to expect": lambda: _expected(DAYS),
    "check: cold to spare": lambda: _expected(COLD_TO_SPARE),
    "check: far too hot": lambda: _expected(None),
    "check: cannot be worked out": lambda: _expected("impossible"),
    "check: no plant is described": _expected_of_nothing,
    "cycle without a proposal": lambda: _cycles(None),
    "cycle where no points keep the band": lambda: _cycles(replace(PROPOSAL, keeps=False)),
    "rehearse": _rehearsed,
    "rehearse in °F": lambda: _rehearsed("F"),
    "rehearse --weather": lambda: _rehearsed(season=SEASON),
    "rehearse --weather of less than a week": lambda: _rehearsed(
        season=SimpleNamespace(place="Larkmoor", hottest=None)
    ),
    "rehearse --against": _against,
    "rehearse --against --json": lambda: _against_document(season=SEASON),
    "rehearse --json": lambda: _against_document(others=None),
    "rehearse: whose figures are whose": _outcomes,
    "comparison --json": lambda: _json(comparison.comparison_document({"plain": PLAIN})),
    "rehearse --html: notices": lambda: click.echo(
        _notice_rows(_rehearsal(), [(3600.0, "Change.")])
    ),
    "report": lambda: _report(20),
    "report of many gaps": lambda: _report(22),
    "report of nothing": lambda: _report(1, recorded_s=0.0),
    "fit": _fit,
    "fit that is good": lambda: _fit(reservoir_misfit_k=0.5),
    "fit --json": lambda: _json(fit._document(RESULT, Path("loft-fit.toml"))),
    "fit --html": _fit_page,
    "the file of a fit": _fit_text,
    "keys": lambda: _keys(("one_wire", "limits.low_limit")),
    "keys --markdown": lambda: _keys(("one_wire",), markdown=True),
    "chambers --json: the freezer": _budgets,
    "interview on a narrow terminal": lambda: _questions(20),
    "every question": lambda: _every_question(72),
    "interview": lambda: _questions(72),
    "report of the design hour's heat": lambda: size._print_load(
        people.console(), replace(DESIGN.steady.load, **dict.fromkeys(
            ("envelope_w", "air_exchange_w", "lights_w", "fans_w", "pump_w", "crop_w",
             "humidifier_w", "sensible_w"), 0.0)), 5
    ),
}  # fmt: skip


def shown(screen: Callable[[], None]) -> str:
    """Return what a screen prints, at a hundred columns."""
    out = io.StringIO()
    environment = {"COLUMNS": "100", "NO_COLOR": "1", "TZ": "UTC"}
    with mock.patch.dict(os.environ, environment), contextlib.redirect_stdout(out):
        screen()
    return re.sub(r"(?m)[ \t]+$", "", out.getvalue()).strip("\n")


def kept() -> dict[str, str]:
    """Return the kept texts by name."""
    parts = re.split(r"(?m)^#### (.+)\n", FILE.read_text(encoding="utf-8"))[1:]
    return {name: text.strip("\n") for name, text in zip(parts[::2], parts[1::2], strict=True)}


def main() -> None:
    texts = [f"#### {name}\n{shown(screen)}\n" for name, screen in SCREENS.items()]
    FILE.write_text("\n".join(texts), encoding="utf-8")


if __name__ == "__main__":
    main()
