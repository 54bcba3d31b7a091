"""The mains rule: every wrong form of a mains load is refused, each with what to do instead.

Sources of the figures: IEC 61140 and IEC 60204-1 for the touch limits, NEC Art. 100 and 210.20(A)
for the 125 %.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.domain.supply import Supply, SupplyKind
from controller.outputs.mains_rule import (
    ContactRating,
    LoadKind,
    MainsVerdict,
    RatedLoad,
    RelayModule,
    is_mains,
    judge,
    judge_named,
)

AC, DC = SupplyKind.AC, SupplyKind.DC
PUMP = RatedLoad(name="pump", supply=Supply(230, AC), current_a=0.8, kind=LoadKind.MOTOR)
LOW_PUMP = RatedLoad(name="pump", supply=Supply(12, DC), current_a=1.5, kind=LoadKind.MOTOR)


def rating(kind: LoadKind, supply: str, current_a: float) -> ContactRating:
    return ContactRating(load_kind=kind, supply=Supply.parse(supply), current_a=current_a)


LISTED = RelayModule(
    id="shed-box",
    description="two-pole relay on a DIN rail",
    ratings=(
        rating(LoadKind.RESISTIVE, "250 V AC", 10),
        rating(LoadKind.MOTOR, "250 V AC", 1),
    ),
    certification_mark="VDE",
    standard="EN 61810-1",
    file_number="No. 40012345",
    isolation_class="reinforced, coil to contacts",
    enclosure="in an IP54 box with a screwed lid",
)
"""An invented module whose record is complete; its motor rating just covers the pump."""

BOARD = RelayModule(
    id="board",
    description="relay board",
    ratings=(rating(LoadKind.MOTOR, "250 V AC", 10),),
)
LOW_BOARD = replace(BOARD, ratings=(rating(LoadKind.MOTOR, "12 V DC", 5),))


# --- supplies --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "supply"),
    [
        pytest.param("12 V DC", Supply(12, DC), id="low"),
        pytest.param("230 V AC", Supply(230, AC), id="mains"),
        pytest.param("12.5 V DC", Supply(12.5, DC), id="fraction"),
        pytest.param("12VDC", Supply(12, DC), id="no-blanks"),
        pytest.param(" 24 v ac ", Supply(24, AC), id="small-letters"),
    ],
)
def test_parse_when_it_is_a_supply(text: str, supply: Supply) -> None:
    """Volts and the kind of current, nothing assumed."""
    assert Supply.parse(text) == supply


@pytest.mark.parametrize(
    ("result", "says"),
    [
        pytest.param(12, r"found 12, allowed: volts with AC or DC.*as text", id="bare-number"),
        pytest.param(230.0, r"found 230\.0, allowed", id="bare-fraction"),
        pytest.param(float("nan"), r"found nan, allowed", id="nan-number"),
        pytest.param(True, r"found true, allowed", id="true"),
        pytest.param(None, r"found None, allowed", id="none"),
        pytest.param("12", r"whether it is AC or DC", id="digits"),
        pytest.param("230 V", r'found "230 V".*whether it is AC or DC', id="kind-missing"),
        pytest.param("12,5 V DC", r"decimal point", id="decimal-comma"),
        pytest.param("-48 V DC", r"without its sign", id="negative"),
        pytest.param("nan V DC", r'found "nan V DC", allowed', id="nan"),
        pytest.param("inf V AC", r'found "inf V AC", allowed', id="infinite"),
        pytest.param("1e3 V AC", r"allowed", id="exponent"),
        pytest.param("100-240 V AC", r"highest voltage", id="range"),
        pytest.param("0 V DC", r"found 0 V DC, allowed: above 0", id="zero"),
        pytest.param("1001 V AC", r"up to 1000 V AC", id="above-low-voltage-ac"),
        pytest.param("1501 V DC", r"up to 1500 V DC", id="above-low-voltage-dc"),
        pytest.param("230 V AC/DC", r"allowed", id="both-kinds"),
        pytest.param("12 V BC", r"allowed", id="slip"),
        pytest.param("AC 230 V", r"allowed", id="turned-round"),
        pytest.param("12 A DC", r"allowed", id="amperes"),
        pytest.param("١٢ V DC", r"allowed", id="digits-of-another-script"),
        pytest.param("", r'found "", allowed', id="empty"),
    ],
)  # fmt: skip
def test_parse_when_it_is_none(result: object, says: str) -> None:
    """Nothing is guessed: a wrong guess between 12 and 230, or AC and DC, is a fire."""
    with pytest.raises(ValueError, match=says):
        Supply.parse(result)


@given(st.one_of(st.text(), st.from_regex(r"[0-9.,]{1,6} ?V? ?(AC|DC)?", fullmatch=True)))
def test_parse_when_given_any_text(text: str) -> None:
    """It is a sane supply or a ValueError that repeats what was found."""
    supply, message = None, ""
    try:
        supply = Supply.parse(text)
    except ValueError as error:
        message = str(error)

    if supply is None:
        assert "found" in message
        assert "allowed" in message
    else:
        assert 0 < supply.volts <= 1500


@pytest.mark.parametrize(
    ("text", "mains"),
    [
        pytest.param("24 V AC", False, id="below-ac"),
        pytest.param("25 V AC", False, id="on-ac-limit"),
        pytest.param("25.01 V AC", True, id="past-ac"),
        pytest.param("60 V AC", True, id="60-volts-ac"),
        pytest.param("230 V AC", True, id="european-mains"),
        pytest.param("120 V AC", True, id="american-mains"),
        pytest.param("24 V DC", False, id="24-volts-dc"),
        pytest.param("48 V DC", False, id="48-volts-dc"),
        pytest.param("60 V DC", False, id="on-dc-limit"),
        pytest.param("60.01 V DC", True, id="past-dc"),
    ],
)
def test_is_mains_when_near_the_touch_limits(text: str, mains: bool) -> None:
    """25 V AC and 60 V DC (IEC 61140; IEC 60204-1) still belong to extra-low voltage."""
    assert is_mains(Supply.parse(text)) is mains


@pytest.mark.parametrize("current_a", [0.0, -1.0, math.nan, math.inf])
def test_load_when_its_current_is_none(current_a: float) -> None:
    """A load without a current cannot be judged, and NaN must not pass every comparison."""
    with pytest.raises(ValueError, match="above zero"):
        replace(PUMP, current_a=current_a)
    with pytest.raises(ValueError, match="above zero"):
        ContactRating(load_kind=LoadKind.MOTOR, supply=PUMP.supply, current_a=current_a)


# --- what is allowed -------------------------------------------------------------------------


def test_judge_when_mains_and_the_record_is_complete() -> None:
    """1 A for a motor just covers 0.8 A with the margin of 125 %."""
    assert judge(PUMP, LISTED) == MainsVerdict(
        reason="shed-box: VDE No. 40012345, motor 1 A at 250 V AC covers 1 A (125 % of 0.8 A)"
    )


def test_judge_when_extra_low_voltage_without_module() -> None:
    """The usual case: a 12 V pump needs no record."""
    assert judge(LOW_PUMP, None) == MainsVerdict(reason="extra-low voltage (12 V DC, limit 60 V)")


def test_rating_needed_when_it_runs_for_hours() -> None:
    """1.5 A continuous asks for 1.875 A, and a 20 A device carries 16 A (NEC Art. 100)."""
    assert LOW_PUMP.rating_needed_a == 1.875
    assert replace(LOW_PUMP, current_a=16).rating_needed_a == 20


@pytest.mark.parametrize(
    ("rated_a", "allowed"),
    [
        pytest.param(1.874, False, id="before"),
        pytest.param(1.875, True, id="on"),
        pytest.param(1.876, True, id="past"),
    ],
)
def test_judge_when_extra_low_voltage_names_a_module(rated_a: float, allowed: bool) -> None:
    """A named module must cover the load, margin included, at low voltage too; no marks needed."""
    module = replace(BOARD, ratings=(rating(LoadKind.MOTOR, "12 V DC", rated_a),))

    assert judge(LOW_PUMP, module).allowed is allowed


# --- what is refused -------------------------------------------------------------------------


def only(verdict: MainsVerdict) -> str:
    """The one refusal."""
    (refusal,) = verdict.refusals
    assert not verdict.allowed
    assert verdict.reason == ""
    assert "found" in refusal
    assert "allowed" in refusal
    return refusal


def test_judge_when_mains_without_module() -> None:
    """No module: says what mains asks for and what the way round is."""
    refusal = only(judge(PUMP, None))

    assert refusal.startswith("loads.pump.relay_module: found nothing for 230 V AC")
    assert "record one from its nameplate, or use a load of extra-low voltage" in refusal


@pytest.mark.parametrize(
    ("named", "says"),
    [
        pytest.param("shed-bx", "did you mean 'shed-box'?", id="slip"),
        pytest.param("zzz", "allowed: board, shed-box", id="unknown"),
        pytest.param("", "found ''", id="empty"),
        pytest.param("none", "found 'none'", id="placeholder"),
        pytest.param({"rating": "10 A"}, "a record written in place", id="inline-record"),
        pytest.param(["shed-box"], "found ['shed-box']", id="list"),
        pytest.param(True, "found True", id="flag"),
        pytest.param(0, "found 0", id="zero"),
    ],
)
@pytest.mark.parametrize("load", [PUMP, LOW_PUMP], ids=["mains", "extra-low"])
def test_judge_named_when_it_is_no_recorded_id(load: RatedLoad, named: object, says: str) -> None:
    """Anything but the id of a record is refused, for low voltage as well."""
    refusal = only(judge_named(load, named, {"board": BOARD, "shed-box": LISTED}))

    assert refusal.startswith("loads.pump.relay_module: found ")
    assert says in refusal


def test_judge_named_when_it_is_a_recorded_id() -> None:
    """The record decides; no key at all is judged as no module."""
    modules = {"shed-box": LISTED}

    assert judge_named(PUMP, "shed-box", modules) == judge(PUMP, LISTED)
    assert judge_named(PUMP, None, modules) == judge(PUMP, None)
    assert "none is recorded" in only(judge_named(PUMP, "shed-box", {}))


def test_judge_when_mains_on_a_bare_board() -> None:
    """Every missing field at once, each with its place in the file."""
    verdict = judge(PUMP, BOARD)

    assert [refusal.split(": ")[1] for refusal in verdict.refusals] == [
        "modules.board.certification_mark",
        "modules.board.standard",
        "modules.board.file_number",
        "modules.board.isolation_class",
        "modules.board.enclosure",
    ]
    assert all("found nothing, allowed for pump at 230 V AC" in r for r in verdict.refusals)
    assert all("use a listed module" in refusal for refusal in verdict.refusals)


@pytest.mark.parametrize("text", [None, "", "TODO", "unknown"])
def test_judge_when_mains_and_one_field_says_nothing(text: str | None) -> None:
    """One empty field is enough, and the refusal repeats what stands there."""
    refusal = only(judge(PUMP, replace(LISTED, file_number=text)))

    result = "nothing" if text is None else f'"{text}"'
    assert refusal.startswith(f"relay-modules.toml: modules.shed-box.file_number: found {result}")
    assert judge(LOW_PUMP, replace(LOW_BOARD, file_number=text)).allowed


@pytest.mark.parametrize(
    ("ratings", "says"),
    [
        pytest.param([], "no contact rating", id="none"),
        pytest.param(
            [(LoadKind.RESISTIVE, "250 V AC", 10)],
            "no rating for a motor load, and another kind's does not count",
            id="resistive-for-a-motor",
        ),
        pytest.param(
            [(LoadKind.ELECTROMAGNET, "250 V AC", 10), (LoadKind.LAMP, "250 V AC", 10)],
            "no rating for a motor load",
            id="other-kinds",
        ),
        pytest.param([(LoadKind.MOTOR, "250 V DC", 10)], "no AC rating for it", id="dc-for-ac"),
        pytest.param([(LoadKind.MOTOR, "125 V AC", 10)], "voltage is too low", id="volts"),
        pytest.param([(LoadKind.MOTOR, "229.9 V AC", 10)], "voltage is too low", id="volts-just"),
        pytest.param([(LoadKind.MOTOR, "230 V AC", 0.8)], "current is too low", id="no-margin"),
        pytest.param([(LoadKind.MOTOR, "230 V AC", 0.999)], "current is too low", id="just"),
        pytest.param(
            [(LoadKind.MOTOR, "125 V AC", 10), (LoadKind.MOTOR, "250 V AC", 0.5)],
            "current is too low",
            id="volts-of-one-amperes-of-another",
        ),
    ],
)
def test_judge_when_no_rating_covers_the_load(
    ratings: list[tuple[LoadKind, str, float]], says: str
) -> None:
    """Kind of load, kind of current, volts and amperes must meet in one line of the plate."""
    module = replace(LISTED, ratings=tuple(rating(*line) for line in ratings))

    refusal = only(judge(PUMP, module))

    assert says in refusal
    assert "allowed: motor at least 1 A (125 % of 0.8 A" in refusal


@pytest.mark.parametrize(
    ("current_a", "allowed"),
    [(0.000001, False), (0.002, False), (0.0022, True), (0.8, True), (32.0, True), (32.1, False)],
)
def test_judge_when_a_mains_current_cannot_be(current_a: float, allowed: bool) -> None:
    """A microampere would fit every rating: half a volt-ampere and a socket's current bound it."""
    module = replace(LISTED, ratings=(rating(LoadKind.MOTOR, "250 V AC", 100),))

    verdict = judge(replace(PUMP, current_a=current_a), module)

    assert verdict.allowed is allowed
    assert allowed or verdict.refusals[0].startswith(
        f"loads.pump.current: found {current_a:g} A at 230 V AC, allowed: 0.0022 A to 32 A"
    )


def test_judge_when_an_ac_rating_meets_a_dc_load() -> None:
    """Low voltage too: DC is harder to break than AC."""
    module = replace(BOARD, ratings=(rating(LoadKind.MOTOR, "24 V AC", 10),))

    assert "no DC rating for it" in only(judge(LOW_PUMP, module))


def test_judge_when_the_record_and_the_rating_are_both_wrong() -> None:
    """All refusals at once."""
    module = replace(LISTED, file_number="-", ratings=(rating(LoadKind.RESISTIVE, "250 V AC", 10),))

    assert len(judge(PUMP, module).refusals) == 2


@given(
    volts=st.floats(0.1, 1000),
    load_a=st.floats(0.01, 50),
    rated_a=st.floats(0.01, 50),
    rated_v=st.floats(0.1, 1000),
    kinds=st.tuples(st.sampled_from(LoadKind), st.sampled_from(LoadKind)),
    currents=st.tuples(st.sampled_from(SupplyKind), st.sampled_from(SupplyKind)),
)
def test_judge_when_any_load_meets_any_rating(
    *,
    volts: float,
    load_a: float,
    rated_a: float,
    rated_v: float,
    kinds: tuple[LoadKind, LoadKind],
    currents: tuple[SupplyKind, SupplyKind],
) -> None:
    """Allowed never means: other kind, other current, more volts, or less than the margin."""
    load = RatedLoad(name="fan", supply=Supply(volts, currents[0]), current_a=load_a, kind=kinds[0])
    line = ContactRating(load_kind=kinds[1], supply=Supply(rated_v, currents[1]), current_a=rated_a)

    verdict = judge(load, replace(LISTED, ratings=(line,)))

    if verdict.allowed:
        assert kinds[0] is kinds[1]
        assert currents[0] is currents[1]
        assert rated_v >= volts
        assert rated_a >= 1.25 * load_a - 1e-6
    if is_mains(load.supply):
        assert not judge(load, None).allowed
        assert not judge(load, replace(LISTED, ratings=(line,), standard=None)).allowed
