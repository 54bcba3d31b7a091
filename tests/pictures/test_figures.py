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
    bands_c=[(0.0, 15.5, 17.0), (3600.0, 15.0, 16.5)],
    until_s=4500.0,
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

    assert names == [
        "cut-out",
        "band",
        "air",
        "reservoir",
        "room",
        "pump",
        "fan",
        "swap",
        "alarm",
        "told",
    ]


def test_fahrenheit_is_shown_where_asked_for() -> None:
    """16 °C is 60.8 °F; the band moves along."""
    figure = chamber_figure(
        History(moments=HISTORY.moments, bands_c=[(0.0, 15.5, 17.0)], unit="F", zone=UTC)
    )

    traces = {trace["name"]: trace for trace in figure["data"]}
    assert traces["air"]["y"][0] == 60.8
    assert traces["band"]["y"] == [62.6, 62.6]
    assert figure["layout"]["annotations"][0]["text"] == "°F"


def test_the_band_steps_where_it_did() -> None:
    """Day and night in the same picture; each holds until the next, the last to the end."""
    traces = {trace["name"]: trace for trace in chamber_figure(HISTORY)["data"]}

    assert traces["band"]["x"] == [
        "1970-01-01 00:00:00",
        "1970-01-01 01:00:00",
        "1970-01-01 01:15:00",
    ]
    assert traces["cut-out"]["y"] == [15.5, 15.0, 15.0]
    assert traces["band"]["y"] == [17.0, 16.5, 16.5]
    assert traces["band"]["line"]["shape"] == "hv"


def test_the_picture_goes_from_the_first_moment_to_the_last_foreseen_one() -> None:
    """A mark at the edge adds no room of its own."""
    figure = chamber_figure(HISTORY)

    assert figure["layout"]["xaxis"]["range"] == ["1970-01-01 00:00:00", "1970-01-01 01:56:40"]


def test_a_share_is_drawn_as_a_share_and_the_unknown_not_at_all() -> None:
    """Of a column of a year's picture only the share of the time with the pump on is known."""
    moments = [
        Moment(at_s=0.0, air_c=16.0, pump=0.25, fan=0.3),
        Moment(at_s=60.0, pump=None, fan=None),
        Moment(at_s=7000.0, air_c=16.0, pump=1.0, fan=True),
    ]

    traces = {
        trace["name"]: trace
        for trace in chamber_figure(History(moments=moments, gap_s=9000.0, zone=UTC))["data"]
    }
    assert traces["pump"]["y"] == [0.25, None, 1.0, 1.0]
    assert traces["air"]["y"] == [16.0, None, 16.0]


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
