"""Charts as SVG: well-formed, nothing but what was given, and every curve where it belongs."""

from __future__ import annotations

import re
from datetime import UTC
from xml.etree import ElementTree as ET

import pytest

from controller.pictures.chart import (
    Bars,
    Chart,
    Expected,
    Line,
    Mark,
    Panel,
    Ribbon,
    Steps,
    draw,
)
from controller.pictures.html import standalone_page


def chart(*layers: Line | Ribbon | Steps | Bars, **more: object) -> Chart:
    """Return a chart of one panel from 0 to 100 s, with a scale of 0 to 10 and 100 px."""
    panel = Panel(title="Air", layers=layers, height=100, scale=(0.0, 10.0))
    whole = {"panels": [panel], "since_s": 0.0, "until_s": 100.0, "label": "a label", "zone": UTC}
    return Chart(**{**whole, **more})  # type: ignore[arg-type]


def paths(drawn: str, style: str) -> list[str]:
    """Return the path data of every element of a class."""
    return [
        element.attrib["d"]
        for element in ET.fromstring(drawn).iter()
        if element.tag == "path" and element.get("class", "") == style
    ]


def test_a_line_runs_through_its_points_and_breaks_at_a_gap() -> None:
    """Ten units of the drawing a second, ten pixels a degree, counted from the top."""
    line = Line(style="air", points=[(0.0, 0.0), (50.0, 5.0), (60.0, None), (70.0, 10.0)])

    assert paths(draw(chart(line)), "air line") == ["M0.0 100.0L500.0 50.0M700.0 0.0"]


def test_a_ribbon_is_closed_and_breaks_at_a_gap() -> None:
    """Along the highest values, and back along the lowest."""
    points = [(0.0, 2.0, 4.0), (50.0, 3.0, 5.0), (60.0, None, None), (70.0, 1.0, 2.0)]
    drawn = draw(chart(Ribbon(style="air", points=points)))

    assert paths(drawn, "air ribbon") == [
        "M0.0 60.0L500.0 50.0L500.0 70.0L0.0 80.0Z",
        "M700.0 80.0L700.0 90.0Z",
    ]


def test_a_band_steps_and_lasts_to_the_end() -> None:
    """Each holds until the next one."""
    drawn = draw(chart(Steps(style="band", since=[(0.0, 4.0, 6.0), (50.0, 2.0, 4.0)])))

    assert paths(drawn, "band steps") == ["M0.0 40.0H500.0V60.0H0.0ZM500.0 60.0H1000.0V80.0H500.0Z"]


def test_bars_stand_on_the_bottom_and_the_unknown_has_none() -> None:
    """A value that is not known looks like none, since the panel says what is known above."""
    drawn = draw(chart(Bars(style="pump", values=[(0.0, 10.0, 5.0), (10.0, 20.0, None)])))

    assert paths(drawn, "pump bars") == ["M0.0 50.0H100.0V100.0H0.0Z"]


def test_what_lies_outside_is_drawn_at_the_edge() -> None:
    """Nothing leaves its panel."""
    line = Line(style="air", points=[(-50.0, 20.0), (150.0, -5.0)])

    assert paths(draw(chart(line)), "air line") == ["M0.0 0.0L1000.0 100.0"]


def test_marks_have_their_own_shapes_and_words() -> None:
    """Told apart without colour; one before the picture begins is left out."""
    marks = [
        Mark(at_s=25.0, style="change", text="6 packs"),
        Mark(at_s=50.0, style="alarm", text="Air too warm"),
        Mark(at_s=75.0, style="notice", text="<b>"),
        Mark(at_s=-1.0, style="alarm", text="long ago"),
    ]
    root = ET.fromstring(draw(chart(marks=marks)))

    drawn = [element for element in root.iter() if element.get("class", "").startswith("mark ")]
    titles = [element.findtext("title") for element in drawn]
    assert titles == ["6 packs", "Air too warm", "<b>"]
    assert [element.attrib["x"] for element in drawn] == ["25.00%", "50.00%", "75.00%"]
    shapes = [ET.tostring(element[-1]) for element in drawn]
    assert len(set(shapes)) == 3


def test_what_is_expected_is_shaded_from_its_early_bound() -> None:
    """With the words beside it."""
    expected = Expected(early_s=60.0, likely_s=80.0, text="cold lasts to 02:40")
    drawn = draw(chart(expected=expected))

    assert paths(drawn, "expected") == ["M600.0 0.0H800.0V100.0H600.0Z"]
    assert "cold lasts to 02:40" in drawn


@pytest.mark.parametrize(
    ("low", "high", "labels"),
    [
        (14.8, 17.4, ["15°", "16°", "17°"]),
        (3.0, 21.0, ["5°", "10°", "15°", "20°"]),
        (-2.0, 2.0, ["−2°", "−1°", "0°", "1°", "2°"]),
        (60.0, 60.0, ["59°", "59.5°", "60°", "60.5°", "61°"]),
    ],
)
def test_the_scale_has_round_values(low: float, high: float, labels: list[str]) -> None:
    """A few, and a still line has a scale too."""
    line = Line(style="air", points=[(0.0, low), (100.0, high)])
    panel = Panel(title="Air", layers=[line], height=120, unit="°", at_least=2.0)
    root = ET.fromstring(draw(chart(panels=[panel])))

    texts = [
        e.text for e in root.iter("text") if e.get("class") == "scale" and "°" in (e.text or "")
    ]
    assert texts == labels


def test_a_chart_has_a_sentence_for_whoever_does_not_see_it() -> None:
    """And no size of its own across."""
    root = ET.fromstring(draw(chart(label='16 "to" 17 <°C>')))

    assert root.attrib["aria-label"] == '16 "to" 17 <°C>'
    assert (root.attrib["role"], root.attrib["width"]) == ("img", "100%")


def test_a_chart_without_time_is_refused() -> None:
    """It would divide by nothing."""
    with pytest.raises(ValueError, match="a picture needs time"):
        draw(chart(until_s=0.0))


def test_a_page_of_its_own_loads_nothing_and_escapes_everything() -> None:
    """Style and picture are inside; a name with markup stays a name; an empty table is left out."""
    page = standalone_page(
        title="<b>shelf</b>",
        lead="</script><script>alert(1)</script>",
        facts=[("a", "b")],
        charts=[chart(label="<i>")],
        tables=[("t", ["c"], [["<u>"]]), ("Nothing here", ["c"], [])],
    )

    assert "<svg" in page
    assert ".chart" in page
    for markup in ("<b>", "<i>", "<u>", "<script", "Nothing here"):
        assert markup not in page
    assert not re.search(r"(src|href)=|url\(|@import", page)
