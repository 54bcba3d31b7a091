"""The figure of a chamber, held against the charting library's own idea of a figure."""

from __future__ import annotations

import json
from datetime import UTC

import plotly.graph_objects as go

from controller.pictures.figures import History, Moment, chamber_figure
from controller.pictures.html import standalone_page

HISTORY = History(
    moments=[
        Moment(at_s=0.0, air_c=16.0, reservoir_c=4.0, room_c=24.0, pump=True, fan=False),
        Moment(at_s=60.0, air_c=16.1, reservoir_c=4.1, room_c=24.0, pump=True, fan=True),
        Moment(at_s=120.0, air_c=None, reservoir_c=4.2, room_c=24.0, pump=False, fan=True),
        Moment(at_s=4000.0, air_c=17.0, reservoir_c=6.0, room_c=25.0),
    ],
    band_c=(15.5, 17.0),
    swaps=[(60.0, "4 packs")],
    alarms=[(4000.0, "air high")],
    told=[(4100.0, "The air is too warm.")],
    due_s=(5000.0, 6000.0, 7000.0),
    zone=UTC,
)


def test_the_library_accepts_the_figure() -> None:
    """Every key is one that the charting library knows; it refuses others."""
    figure = chamber_figure(HISTORY)

    go.Figure(data=figure["data"], layout=figure["layout"])
    json.dumps(figure, allow_nan=False)


def test_lost_readings_and_silence_are_gaps() -> None:
    """A lost probe and an hour without records both break the line."""
    air = next(trace for trace in chamber_figure(HISTORY)["data"] if trace["name"] == "air")

    assert air["y"] == [16.0, 16.1, None, None, 17.0]
    assert air["connectgaps"] is False


def test_a_probe_that_is_not_fitted_has_no_line() -> None:
    """No coil outlet, no line for it."""
    names = [trace["name"] for trace in chamber_figure(HISTORY)["data"]]

    assert names == ["air", "reservoir", "room", "pump", "fan", "swap", "alarm", "told"]


def test_fahrenheit_is_shown_where_asked_for() -> None:
    """16 °C is 60.8 °F; the band moves along."""
    figure = chamber_figure(
        History(moments=HISTORY.moments, band_c=(15.5, 17.0), unit="F", zone=UTC)
    )

    assert figure["data"][0]["y"][0] == 60.8
    assert figure["layout"]["yaxis"]["title"]["text"] == "°F"
    assert figure["layout"]["shapes"][0]["y1"] == 62.6


def test_a_page_of_its_own_loads_nothing_and_escapes_everything() -> None:
    """The library is inside; a name with markup stays a name."""
    page = standalone_page(
        title="<b>shelf</b>",
        lead="</script><script>alert(1)</script>",
        facts=[("a", "b")],
        figures=[{"data": [], "layout": {"title": "</script>"}, "config": {}}],
        tables=[("t", ["c"], [["<i>"]])],
    )

    begins, ends = page.index("<script>"), page.rindex("<script>")
    outside_the_library = page[:begins] + page[ends:]
    assert "<b>shelf" not in outside_the_library
    assert "<i>" not in outside_the_library
    assert "<script>alert(1)" not in outside_the_library
    assert '"title": "<\\/script>"' in outside_the_library
    assert 'src="http' not in outside_the_library
    assert "url(http" not in outside_the_library
    assert "Plotly" in page
