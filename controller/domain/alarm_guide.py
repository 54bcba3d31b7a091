"""What each alarm means and what to do about it: the one text for every screen and message.

The fields follow what an alarm's response sheet holds by ISA-18.2 and IEC 62682 (management of
alarm systems): meaning, causes, consequence, response and the time there is. The answers themselves
are common practice, no source, where no figure of the configuration stands behind them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum

from controller.domain.alarms import Alarm, AlarmName

PLACES = {
    "air": "air probe",
    "reservoir": "reservoir probe",
    "room": "room probe",
    "coil_outlet": "coil outlet probe",
}
"""Probes as people call them, by the name that `Alarm.about` carries."""


class Urgency(Enum):
    """How long an alarm can wait for a person."""

    CROP = "crop"
    """The crop is being hurt: at once, at any hour."""
    SOON = "soon"
    """Within the hours that its guide names, at night too."""
    MORNING = "morning"
    """Nothing is lost before morning: people may sleep."""
    NOTE = "note"
    """Nobody needs to do anything within a known time: shown as a note, not as an alarm."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmGuide:
    """What people need to know about one alarm; whole sentences, except the title."""

    title: str
    """A few words without a full stop."""
    action: str
    """What to do first, in one sentence."""
    urgency: Urgency
    meaning: str
    causes: tuple[str, ...]
    """The likeliest first."""
    if_ignored: str
    steps: tuple[str, ...]
    """What to do, in this order."""
    time: str
    """How long there is."""


_GUIDES: dict[AlarmName, AlarmGuide] = {
    AlarmName.AIR_HIGH: AlarmGuide(
        title="Air too warm",
        action="Change the packs now.",
        urgency=Urgency.CROP,
        meaning="The air in the chamber has been at or above its upper limit for longer than the "
        "alarm's delay.",
        causes=(
            "The packs are spent: the reservoir is too warm to cool.",
            "The chamber is open, or sun falls on it.",
            "The pump or the fan does not run, or no water moves through the coil.",
            "The room is hotter than the coil can make up for.",
        ),
        if_ignored="The crop stalls or spoils; how fast depends on the species and on how far the "
        "air is above its limit.",
        steps=(
            "Look at the reservoir temperature: if it is close to the air, change the packs.",
            "Close the chamber and shade it.",
            "See that the pump and the fan run and that water flows back into the reservoir.",
            "If all of that is right, cool or ventilate the room.",
        ),
        time="One to three hours for most species; less in strong heat.",
    ),
    AlarmName.AIR_LOW: AlarmGuide(
        title="Air too cold",
        action="Check that the pump is off and warm the room.",
        urgency=Urgency.CROP,
        meaning="The air in the chamber is at or below its lower limit. Cooling is off.",
        causes=(
            "The room is cold.",
            "A relay stays on although it was switched off.",
            "The air probe touches the coil or something wet.",
        ),
        if_ignored="Growth slows; a relay that stays on can chill the crop for as long as the cold "
        "lasts.",
        steps=(
            "See whether the pump runs. If it does, unplug it and have its relay checked.",
            "See where the air probe hangs: free in the air, beside the crop.",
            "Warm the room.",
        ),
        time="A few hours.",
    ),
    AlarmName.RESERVOIR_WARM: AlarmGuide(
        title="Reservoir getting warm",
        action="Change the packs.",
        urgency=Urgency.SOON,
        meaning="The water is above the limit at which it still cools well.",
        causes=(
            "The packs are spent.",
            "The reservoir is open or badly insulated.",
            "The packs were not frozen through when they went in.",
        ),
        if_ignored="Cooling stops once the water is too warm; then the air warms.",
        steps=("Change the packs and log the change.", "Close the lid of the reservoir."),
        time="About as long as the forecast says; without one, an hour or two.",
    ),
    AlarmName.RESERVOIR_FREEZING: AlarmGuide(
        title="Reservoir near freezing",
        action="Take a pack out, or add water.",
        urgency=Urgency.SOON,
        meaning="The water is close to 0 °C. Packs with salt can freeze the loop.",
        causes=(
            "Packs filled with brine or gel that melts below 0 °C.",
            "Too many packs for the water that is there.",
            "The water does not move while the pump rests.",
        ),
        if_ignored="Ice can block the pump or the tubing, and then nothing cools.",
        steps=(
            "Take out one pack, or add tap water.",
            "See that water still flows back into the reservoir while the pump runs.",
        ),
        time="An hour or two.",
    ),
    AlarmName.SWAP_DUE: AlarmGuide(
        title="Pack change due",
        action="Change the packs.",
        urgency=Urgency.SOON,
        meaning="The earliest time at which the cold may run out, by the forecast, is within the "
        "lead time that you chose.",
        causes=("The packs are melting as they should.", "The day is hotter than the days before."),
        if_ignored="The reservoir warms and cooling stops; then the air warms.",
        steps=(
            "Put frozen packs in and take the spent ones out.",
            "Log the change: the forecast then counts from the new packs.",
            "Put the spent packs into the freezer at once.",
        ),
        time="The lead time of the notice, by default three hours.",
    ),
    AlarmName.PROBE_LOST: AlarmGuide(
        title="Probe not answering",
        action="Check the probe's plug and cable.",
        urgency=Urgency.CROP,
        meaning="A probe has given no usable reading for too long.",
        causes=(
            "A loose plug, or a cable that was pulled.",
            "Water in a joint.",
            "Electrical noise from the pump or a mains cable beside the probe's cable.",
            "A probe that has failed.",
        ),
        if_ignored="Without the air probe cooling stops, or runs by the clock if you chose that. "
        "Without the reservoir probe cooling goes on, and there is no forecast.",
        steps=(
            "Push the plug in and look along the cable for damage.",
            "Dry the joint.",
            "Keep the cable away from the pump and from mains.",
            "Put in a spare probe and write its id into the configuration.",
        ),
        time="The air probe: as long as the chamber stays cool by itself, often under an hour. "
        "Any other probe: until morning.",
    ),
    AlarmName.FLOW_NOT_PROVED: AlarmGuide(
        title="No water flow",
        action="Check that water moves through the coil.",
        urgency=Urgency.CROP,
        meaning="The pump ran on a cold reservoir and the coil did not get cold.",
        causes=(
            "Air in the pump: it has lost its prime.",
            "The water stands too low.",
            "Kinked or blocked tubing, or ice in it.",
            "The pump does not run although it is switched on.",
        ),
        if_ignored="After a few tries coldpin stops cooling until somebody resets it.",
        steps=(
            "See that the pump is under water and that the tubing has no kink.",
            "Let the air out: lift the return hose while the pump runs.",
            "When water flows, reset the lockout.",
        ),
        time="As long as the chamber stays cool by itself, often under an hour on a hot day.",
    ),
    AlarmName.LONG_RUN: AlarmGuide(
        title="Pump running too long",
        action="Check the door of the chamber and the reservoir.",
        urgency=Urgency.SOON,
        meaning="The pump has run for the longest time that one run may take. The reservoir is "
        "cold enough, and still the air is above its band; or no run has shown that water moves. "
        "The pump rests for a short while and goes on. A long run that holds the band, as on a "
        "hot day, is no alarm.",
        causes=(
            "The chamber is open.",
            "Little or no water moves through the coil.",
            "The room is hotter than the coil can make up for.",
            "The coil is dusty or iced.",
        ),
        if_ignored="The packs are spent sooner; the air may leave its band later.",
        steps=(
            "Close the chamber.",
            "See that water flows back into the reservoir.",
            "Clean the coil and see that its fan turns.",
            "Plan the next pack change earlier.",
        ),
        time="An hour or two: the water may not move at all.",
    ),
    AlarmName.FREQUENT_STARTS: AlarmGuide(
        title="Pump starting too often",
        action="Widen the band or move the air probe out of the draught.",
        urgency=Urgency.NOTE,
        meaning="The pump started more often within an hour than you allow.",
        causes=(
            "The air probe hangs in the draught of the coil.",
            "Cut-in and cut-out are close together.",
            "The air probe's reading is noisy.",
        ),
        if_ignored="Pump and relay wear out early.",
        steps=(
            "Hang the air probe beside the crop, out of the fan's draught.",
            "Set cut-out lower, or lengthen the pump rest.",
        ),
        time="Days.",
    ),
    AlarmName.OUTPUT_FAILED: AlarmGuide(
        title="Relay not switching",
        action="Check the relay; everything was switched off.",
        urgency=Urgency.CROP,
        meaning="A relay could not be switched, or did not read back as it was set.",
        causes=(
            "A loose wire between the board and the relay module.",
            "No supply on the relay module.",
            "Another program uses the same pin.",
            "A relay that has failed.",
        ),
        if_ignored="Nothing cools while the relay does not switch.",
        steps=(
            "Check the wire and the supply of the relay module. Mains: unplug it first.",
            "Read in the log which relay failed, and why.",
            "Try the relay with coldpin relays.",
        ),
        time="As long as the chamber stays cool by itself, often under an hour on a hot day.",
    ),
    AlarmName.RECORDS_FAILING: AlarmGuide(
        title="Records not being written",
        action="Check the memory card.",
        urgency=Urgency.MORNING,
        meaning="The control process cannot write its records. Cooling goes on.",
        causes=("The card is full.", "The card is failing.", "The folder belongs to another user."),
        if_ignored="There is no history for this time, and the forecast becomes less sure.",
        steps=(
            "See how full the card is, and make room.",
            "Copy the records with coldpin backup and put in a new card.",
        ),
        time="Days.",
    ),
    AlarmName.RESERVOIR_EMPTY: AlarmGuide(
        title="Reservoir empty",
        action="Fill the reservoir.",
        urgency=Urgency.CROP,
        meaning="The level input says that the water is too low. The pump is off.",
        causes=(
            "Water has leaked or evaporated.",
            "Packs were taken out and no water was added.",
            "A wire of the level switch is broken or loose, which reads as empty.",
        ),
        if_ignored="Nothing cools until there is water; a pump that runs dry is ruined.",
        steps=(
            "Look for water on the floor before you fill up.",
            "Fill the reservoir above the level switch.",
            "If there is enough water, check the wires and the float of the switch.",
        ),
        time="As long as the chamber stays cool by itself, often under an hour on a hot day.",
    ),
    AlarmName.COOLING_WHILE_OFF: AlarmGuide(
        title="Cooling goes on though it is off",
        action="See whether the pump still runs; if it does, unplug it.",
        urgency=Urgency.CROP,
        meaning="The pump was switched off, and the air goes on falling though the room is warm, "
        "or warms less than half as fast as this chamber usually does.",
        causes=(
            "The relay of the pump stays closed: its contacts have welded.",
            "The pump is wired to the contact that is closed while the relay is off.",
            "Cold water runs through the coil by itself, because the reservoir stands higher.",
            "The chamber was changed: more insulation, or much more crop.",
        ),
        if_ignored="The crop is chilled for as long as the cold lasts, and the packs melt for "
        "nothing.",
        steps=(
            "Unplug the pump. Mains: let a licensed person look at the relay.",
            "Replace the relay module if its contact stays closed.",
            "If the pump does not run, fit a one-way valve or set the reservoir below the coil.",
            "When the fault is mended, mark the alarm as seen: that ends it.",
        ),
        time="An hour or two before the crop is chilled.",
    ),
    AlarmName.PROBES_EXCHANGED: AlarmGuide(
        title="Air and reservoir probes may be exchanged",
        action="Check which probe hangs in the air and which in the water.",
        urgency=Urgency.CROP,
        meaning="The reservoir has been much warmer than the air for a long time. A reservoir that "
        "cools the chamber is colder than the air.",
        causes=(
            "The plugs of the two probes were exchanged.",
            "The two ids are exchanged in the configuration.",
            "The room is much colder than the reservoir: then nothing is wrong.",
        ),
        if_ignored="coldpin controls by the wrong temperature and does not cool.",
        steps=(
            "Warm the air probe in your hand and see which reading rises.",
            "Exchange the plugs, or the two ids in the configuration.",
        ),
        time="As long as the chamber stays cool by itself, often under an hour on a hot day.",
    ),
    AlarmName.RESERVOIR_PROBE_MISPLACED: AlarmGuide(
        title="Reservoir probe may not be in the water",
        action="Check that the reservoir probe hangs in the water.",
        urgency=Urgency.SOON,
        meaning="The reservoir gets colder while the pump runs and warmer while it rests, run "
        "after run. Water with packs in it does the opposite.",
        causes=(
            "The probe hangs in the air or touches the coil.",
            "The reservoir is almost empty.",
            "The probe touches a pack.",
        ),
        if_ignored="The forecast is wrong, and warm water may not be noticed.",
        steps=(
            "Hang the probe free in the water, away from packs and the returning stream.",
            "Fill the reservoir.",
            "When the fault is mended, mark the alarm as seen: that ends it.",
        ),
        time="A few hours.",
    ),
    AlarmName.PROBE_UNSTEADY: AlarmGuide(
        title="Probe answers only part of the time",
        action="Check the probe's plug and cable.",
        urgency=Urgency.SOON,
        meaning="A probe was lost and came back again and again within an hour.",
        causes=(
            "A loose plug, or a cable that moves.",
            "Water in a joint.",
            "Long cables or many probes with too weak a pull-up resistor.",
        ),
        if_ignored="Cooling stops at every loss of the air probe, and the probe may fail for good.",
        steps=(
            "Push the plug in, dry the joint, look along the cable for damage.",
            "Read the hardware notes on the pull-up resistor.",
            "Put in a spare probe.",
        ),
        time="A few hours.",
    ),
    AlarmName.PUMP_NOISE: AlarmGuide(
        title="Probes fail while the pump runs",
        action="Move the probe cables away from the pump's cable.",
        urgency=Urgency.SOON,
        meaning="Probes are lost while the pump runs and at no other time: its motor disturbs "
        "them. The pump rests longer while this lasts.",
        causes=(
            "Probe cables run beside the pump's cable.",
            "The pump's motor has no suppressor.",
            "Pump and probes share a supply whose voltage falls at every start.",
        ),
        if_ignored="Cooling is cut short again and again, and the chamber warms on a hot day.",
        steps=(
            "Lay the probe cables a hand's width or more from the pump's cable.",
            "Fit a suppressor or a flyback diode at the pump, as the hardware notes say.",
            "Give the pump a supply of its own.",
        ),
        time="A few hours.",
    ),
    AlarmName.FREQUENT_TRIPS: AlarmGuide(
        title="Cooling cut short again and again",
        action="Read in the log what stopped it, and mend that.",
        urgency=Urgency.SOON,
        meaning="A fault stopped the pump several times within an hour.",
        causes=(
            "A probe that answers only part of the time.",
            "A relay that does not always switch.",
            "Air at its lower limit, or water just at the level switch.",
        ),
        if_ignored="Pump and relay wear out, and the chamber warms on a hot day.",
        steps=(
            "Read the events of the last hour.",
            "Mend the fault that is listed there most often.",
        ),
        time="A few hours.",
    ),
    AlarmName.PROBE_STUCK: AlarmGuide(
        title="Probe shows the same value for hours",
        action="Check where the probe hangs, and replace it if it stays.",
        urgency=Urgency.SOON,
        meaning="A probe has shown exactly the same reading for hours, while cooling was switched "
        "on or off.",
        causes=(
            "The probe fell out of its place.",
            "The probe has failed.",
            "Another probe answers in its place.",
        ),
        if_ignored="coldpin controls by a temperature that may be wrong.",
        steps=(
            "Warm the probe in your hand: its reading must rise within a minute.",
            "If it does not, put in a spare and write its id into the configuration.",
        ),
        time="A few hours.",
    ),
    AlarmName.SUPPLY_FAILS: AlarmGuide(
        title="Power fails when the pump starts",
        action="Check the power supply before you reset the lockout.",
        urgency=Urgency.CROP,
        meaning="The machine lost its power at several starts of the pump in a row.",
        causes=(
            "The power supply is too weak for the pump and the machine together.",
            "A short circuit in the pump or in its wiring.",
            "A loose plug.",
        ),
        if_ignored="The machine loses its power at every start of the pump, and nothing cools.",
        steps=(
            "Give the pump a supply of its own, or a stronger one.",
            "Look for water in the pump's wiring. Mains: unplug it first.",
            "Reset the lockout.",
        ),
        time="As long as the chamber stays cool by itself, often under an hour on a hot day.",
    ),
}
_UNKNOWN = AlarmGuide(
    title="",
    action="Update coldpin on this machine to read what it means.",
    urgency=Urgency.SOON,
    meaning="This release does not know the alarm; the machine that raised it runs a newer one.",
    causes=(),
    if_ignored="Not known.",
    steps=("Read the alarm on the machine that raised it.",),
    time="Not known.",
)


def guide_of(name: str) -> AlarmGuide:
    """Return what people need to know about an alarm.

    Args:
        name: Value of an `AlarmName`; any other is answered with what is known: its name.
    """
    try:
        return _GUIDES[AlarmName(name)]
    except ValueError:
        words = name.replace("_", " ")
        return AlarmGuide(
            title=words[:1].upper() + words[1:],
            action=_UNKNOWN.action,
            urgency=_UNKNOWN.urgency,
            meaning=_UNKNOWN.meaning,
            causes=_UNKNOWN.causes,
            if_ignored=_UNKNOWN.if_ignored,
            steps=_UNKNOWN.steps,
            time=_UNKNOWN.time,
        )


def alarm_title(name: str, about: str = "") -> str:
    """Return an alarm as a heading shows it, such as ``Probe not answering (air probe)``.

    Args:
        name: Of the alarm.
        about: Probe or load that it concerns; empty: none.
    """
    title = guide_of(name).title
    return f"{title} ({PLACES.get(about, about.replace('_', ' '))})" if about else title


def urgency_of(alarm: Alarm) -> Urgency:
    """Return how long an alarm can wait; only a lost air probe is urgent among lost probes."""
    if alarm.name == AlarmName.PROBE_LOST.value and alarm.about != "air":
        return Urgency.MORNING if alarm.about == "room" else Urgency.SOON
    return guide_of(alarm.name).urgency


def is_note(alarm: Alarm) -> bool:
    """Return whether it asks nobody for anything within a known time, and so is no alarm."""
    return urgency_of(alarm) is Urgency.NOTE


def worst_first(alarms: Iterable[Alarm]) -> list[Alarm]:
    """Return alarms with the most urgent at the front; equal ones keep their order."""
    order = list(Urgency)
    return sorted(alarms, key=lambda alarm: order.index(urgency_of(alarm)))
