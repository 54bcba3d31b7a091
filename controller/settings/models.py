"""Every table and key of the configuration, with its range and its default.

A key's docstring is its documentation. Defaults are common practice, no source, unless one is
named. Range checks stand with the key; what concerns several keys is in `cross_checks`.
"""

from __future__ import annotations

from datetime import time, tzinfo
from typing import Annotated, Any, Literal, Self
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, field_validator

from controller.domain.alarms import OUTSIDE_THE_LAW, AlarmName
from controller.domain.units import (
    Current,
    Difference,
    Duration,
    MilliKelvin,
    Seconds,
    Temperature,
    between,
    celsius_text,
    fahrenheit_to_celsius,
)
from controller.settings.brief import RESERVOIR_FREEZING, RESERVOIR_WARM

WARMEST_CROP_C = 35.0
"""Above the warmest published cropping band: golden oyster, to 32 °C (Stamets, p. 290)."""
COLDEST_CROP_C = 0.0


def as_crop_temperature(value_mc: int) -> int:
    """Return a temperature at which mushrooms fruit.

    Raises:
        ValueError: None fruits there; with a guess where Fahrenheit was meant.
    """
    celsius = value_mc / 1000
    if COLDEST_CROP_C <= celsius <= WARMEST_CROP_C:
        return value_mc
    hint = ""
    if celsius > WARMEST_CROP_C:
        meant_c = fahrenheit_to_celsius(celsius)
        if COLDEST_CROP_C <= meant_c <= WARMEST_CROP_C:
            hint = f'; {celsius:g} °F would be {meant_c:.1f} °C: write "{celsius:g} F" if meant'
    raise ValueError(
        f"allowed: {COLDEST_CROP_C:g} C to {WARMEST_CROP_C:g} C, where mushrooms fruit, "
        f"not {celsius_text(value_mc)}{hint}"
    )


def as_local_time(given: object) -> object:
    """Return a local time of day.

    Raises:
        ValueError: It is none.
    """
    if isinstance(given, time):
        return given
    try:
        return time.fromisoformat(given if isinstance(given, str) else "")
    except ValueError:
        raise ValueError('allowed: a local time of day in four digits, such as "07:30"') from None


CropTemperature = Annotated[Temperature, AfterValidator(as_crop_temperature)]
LocalTime = Annotated[time, BeforeValidator(as_local_time)]
Name = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[\w][\w .-]*$")]


class Table(BaseModel):
    """A table of the file: frozen, and unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, defer_build=True)

    @classmethod
    def by_default(cls) -> Self:
        """Return the table that stands for one left out of the file.

        Its defaults are not validated: most commands would spend more time on making the
        validators of such tables than on all that they read from them.
        """
        return cls.model_construct()


class ChamberTable(Table):
    """[chamber]: which chamber this is and what it grows."""

    name: Name
    """What people call the chamber; stands on the page and in notices."""
    stage: Name
    """The stage at the start; people change it by request."""
    species: Name | None = None
    """An id of species.toml, to be warned where a stage and the species do not agree."""


class Night(Table):
    """[stages.NAME.night]: another band between two local times."""

    cut_in: CropTemperature
    """Air at or above this calls for cooling, at night."""
    cut_out: CropTemperature
    """Air at or below this ends the call, at night."""
    from_: LocalTime = Field(alias="from")
    """Local time at which the night's band begins."""
    to: LocalTime
    """Local time at which it ends; may lie before `from`, over midnight."""


class Stage(Table):
    """[stages.NAME]: a named band."""

    cut_in: CropTemperature
    """Air at or above this calls for cooling."""
    cut_out: CropTemperature
    """Air at or below this ends the call."""
    night: Night | None = None


class TimingTable(Table):
    """[timing]: the beat of the loop and the timers of pump and fan."""

    tick: Annotated[Duration, between(0.2, 60, "0.2 s to 1 min")] = Seconds(5)
    """How often the loop decides."""
    minimum_run: Annotated[Duration, between(10, 3600, "10 s to 1 h")] = Seconds(120)
    """Once started, the pump runs at least this long, whatever the air does; a trip ends it
    sooner."""
    anti_short_cycle: Annotated[Duration, between(30, 7200, "30 s to 2 h")] = Seconds(300)
    """Pump rest: the pump does not start until this long after its last stop."""
    start_early_by: Annotated[Duration, between(0, 600, "0 s to 10 min")] = Seconds(0)
    """Cooling starts this long before the air would be at cut-in, by how it rose in its last rests:
    prime and the lag of the air probe together take back what they cost, at some more starts. Where
    packs are short it costs ice, and where the coil is too weak for a hot day it brings nothing at
    a third more starts: `coldpin check` says whether it is worth setting here. 0 s: it starts at
    cut-in."""
    prime: Annotated[Duration, between(0, 600, "0 s to 10 min")] = Seconds(10)
    """The pump runs this long before the fan starts."""
    run_on: Annotated[Duration, between(0, 1800, "0 s to 30 min")] = Seconds(60)
    """The fan runs this long after the pump stopped."""
    permissive_debounce: Annotated[Duration, between(0, 600, "0 s to 10 min")] = Seconds(60)
    """Time for which the reservoir may be too warm before cooling stops."""
    longest_run: Annotated[Duration, between(600, 604_800, "10 min to 7 d")] = Seconds(14_400)
    """A run ends after this long, whatever the readings say, and the pump rests. The alarm long_run
    is raised where the reservoir is cold enough and such a run has not brought the air below
    cut-in, or where no answer of the loop was seen in it; it stands until a call has been served or
    held."""
    longest_unseen_run: Annotated[Duration, between(60, 86_400, "1 min to 1 d")] = Seconds(1800)
    """The same while the reservoir probe is lost, when it is not known whether the water still
    cools."""


class LimitsTable(Table):
    """[limits]: where cooling stops, and where alarms are raised."""

    low_limit: CropTemperature
    """Air at or below this stops pump and fan at once."""
    air_high: CropTemperature
    """Air at or above this raises the alarm air_high."""
    reservoir_warm: CropTemperature = RESERVOIR_WARM
    """Water at or above this raises the alarm reservoir_warm."""
    reservoir_freezing: Annotated[Temperature, between(-5000, 5000, "-5 C to 5 C")] = (
        RESERVOIR_FREEZING
    )
    """Plain ice cannot bring water below 0 °C, so the default raises the alarm only with
    salt packs. With those choose more, such as 1 C: slush can block the loop before the probe shows
    it."""
    reservoir_margin: Annotated[Difference, between(500, 10_000, "0.5 K to 10 K")] = MilliKelvin(
        2000
    )
    """The reservoir must be colder than the air by this much before cooling may start."""


class FlowProofTable(Table):
    """[flow_proof]: when a running loop must have answered."""

    after: Annotated[Duration, between(60, 7200, "1 min to 2 h")] = Seconds(900)
    """Running time on cold water after which the loop must have answered."""
    fall: Annotated[Difference, between(125, 5000, "0.125 K to 5 K")] = MilliKelvin(300)
    """How far the air must fall, beyond its own trend, to prove that water flows."""
    outlet_drop: Annotated[Difference, between(250, 10_000, "0.25 K to 10 K")] = MilliKelvin(1000)
    """How much colder than the air the coil outlet must be to prove it, where that probe is
    fitted."""
    colder_by: Annotated[Difference, between(1000, 20_000, "1 K to 20 K")] = MilliKelvin(5000)
    """Only a reservoir colder than the air by this much is held to answer."""
    doubt_rise: Annotated[Difference, between(250, 10_000, "0.25 K to 10 K")] = MilliKelvin(1000)
    """Air that rises this much above where flow was proved, over cold water, makes the pump rest
    and prove it anew; without a probe at the coil's outlet only."""
    wait: Annotated[Duration, between(60, 86_400, "1 min to 1 d")] = Seconds(900)
    """Rest before the next try, where it has not answered."""
    tries: Annotated[int, Field(ge=1, le=20)] = 3
    """Tries in a row after which the pump is locked out."""
    lockout: Annotated[Duration, between(600, 604_800, "10 min to 7 d")] = Seconds(21_600)
    """A lockout ends by itself after this long; a person's reset ends it sooner."""


class FallbackTable(Table):
    """[fallback]: what cooling does while the air probe is lost."""

    policy: Literal["off", "timed"] = "off"
    """`off`: nothing runs; `timed`: the pattern below, within all other limits."""
    on: Annotated[Duration, between(30, 7200, "30 s to 2 h")] = Seconds(300)
    """timed: how long cooling is on."""
    off: Annotated[Duration, between(60, 86_400, "1 min to 1 d")] = Seconds(1200)
    """timed: how long it rests in between."""


class AlarmDelayTable(Table):
    """[alarms.NAME]: how long a condition must last; NAME is an alarm's."""

    after: Annotated[Duration, between(0, 86_400, "0 s to 1 d")]
    """How long the condition must last before the alarm is raised."""
    clear_after: Annotated[Duration, between(0, 86_400, "0 s to 1 d")] = Seconds(60)
    """How long it must be over before the alarm clears."""


def _delay(after_s: float, clear_after_s: float = 60) -> AlarmDelayTable:
    # as validated text would give, without a detour through text
    return AlarmDelayTable.model_construct(
        after=Seconds(after_s), clear_after=Seconds(clear_after_s)
    )


class Alarms(Table):
    """[alarms]: delays by alarm name, and how far a value must come back to clear."""

    clear_by: Annotated[Difference, between(125, 5000, "0.125 K to 5 K")] = MilliKelvin(500)
    """How far back inside its threshold a temperature must come before its alarm clears."""
    starts_per_hour: Annotated[int, Field(ge=1, le=60)] = 6
    """More pump starts than this within an hour raise the alarm frequent_starts."""
    losses_per_hour: Annotated[int, Field(ge=2, le=20)] = 5
    """A probe lost so often within an hour raises probe_unsteady, however short each loss was."""
    trips_per_hour: Annotated[int, Field(ge=2, le=60)] = 4
    """So many trips by a fault within an hour raise frequent_trips."""
    air_high: AlarmDelayTable = _delay(900)
    air_low: AlarmDelayTable = _delay(120)
    reservoir_warm: AlarmDelayTable = _delay(300)
    reservoir_freezing: AlarmDelayTable = _delay(300)
    swap_due: AlarmDelayTable = _delay(0)
    probe_lost: AlarmDelayTable = _delay(60)
    flow_not_proved: AlarmDelayTable = _delay(0)
    long_run: AlarmDelayTable = _delay(0)
    frequent_starts: AlarmDelayTable = _delay(0)
    # an output that fails only while on would flap with every try; it clears after a quiet while
    output_failed: AlarmDelayTable = _delay(0, 1800)
    reservoir_empty: AlarmDelayTable = _delay(0)
    probe_unsteady: AlarmDelayTable = _delay(0)
    pump_noise: AlarmDelayTable = _delay(0)
    frequent_trips: AlarmDelayTable = _delay(0)
    # a warm reservoir beside colder air comes about by itself for a while: after a cold night
    probes_exchanged: AlarmDelayTable = _delay(3600)
    reservoir_probe_misplaced: AlarmDelayTable = _delay(0)
    cooling_while_off: AlarmDelayTable = _delay(0)
    records_failing: AlarmDelayTable = _delay(60)

    def delay_of(self, name: AlarmName) -> AlarmDelayTable:
        """Return the delays of one alarm."""
        delay: AlarmDelayTable = getattr(self, name.value)
        return delay


class OneWire(Table):
    """[one_wire]: the bus."""

    root: str = "/sys/bus/w1/devices"
    """Folder in which Linux shows the 1-Wire devices."""
    pin: Annotated[int, Field(ge=0, le=27)] = 4
    """GPIO line of the bus (``dtoverlay=w1-gpio,gpiopin=``); no load may use it."""
    bulk: bool = True
    """Convert all probes of a bus at once where the kernel and the file modes allow it."""


class Readings(Table):
    """[readings]: how probes are read and judged."""

    every: Annotated[Duration, between(1, 60, "1 s to 1 min")] = Seconds(10)
    """A conversion warms the chip: once in 10 s it is under 0.1 K (arithmetic from the data sheet's
    1.5 mA at 3.3 V over 0.75 s and some 200 K/W of a TO-92 case in still air)."""
    deadline: Annotated[Duration, between(1, 60, "1 s to 1 min")] = Seconds(4)
    """A read that takes longer is thrown away."""
    stale_after: Annotated[Duration, between(5, 600, "5 s to 10 min")] = Seconds(60)
    """A probe without a good reading for this long is lost."""
    median_of: Literal[1, 3, 5, 7, 9] = 3
    """A reading is the median of this many samples."""
    agree: Annotated[int, Field(ge=1, le=10)] = 2
    """Readings in a row that must agree after a start or a gap."""
    stuck_after: Annotated[Duration, between(600, 604_800, "10 min to 7 d")] = Seconds(14_400)
    """A reading that repeats to the bit this long while the outputs moved is reported."""


class ProbeTable(Table):
    """[probes.PLACE]: one thermometer.

    PLACE is air or reservoir, both compulsory, or room or coil_outlet, which sharpen the forecast
    and the flow proof.
    """

    kind: Literal["one-wire", "simulated", "recorded"]
    """Where the temperature comes from: a thermometer, the simulated plant, or a file."""
    id: str | None = None
    """1-Wire id such as 28-0119a3c4d5e6, from ``coldpin probes``; for one-wire only."""
    file: str | None = None
    """CSV of past readings; for recorded only."""
    offset: Annotated[Difference, between(-2000, 2000, "-2 K to 2 K")] = MilliKelvin(0)
    """Added to every reading; from ``coldpin icepoint``."""
    lowest: Annotated[Temperature, between(-55_000, 125_000, "-55 C to 125 C")] | None = None
    """Below this a reading is rejected; each place has its own default."""
    highest: Annotated[Temperature, between(-55_000, 125_000, "-55 C to 125 C")] | None = None
    """Above this a reading is rejected; each place has its own default."""
    fastest: Annotated[Difference, between(100, 60_000, "0.1 K to 60 K")] | None = None
    """Largest believable change within a minute; each place has its own default."""


class Probes(Table):
    """[probes]: air and reservoir are compulsory, room and coil_outlet sharpen what is said."""

    air: ProbeTable
    reservoir: ProbeTable
    room: ProbeTable | None = None
    coil_outlet: ProbeTable | None = None

    def fitted(self) -> dict[str, ProbeTable]:
        """Return the probes that are there, by name."""
        every = {name: getattr(self, name, None) for name in type(self).model_fields}
        return {name: probe for name, probe in every.items() if probe is not None}


class LoadTable(BaseModel):
    """[loads.NAME]: what is switched, from what supply, through which relay.

    NAME is pump or fan, both compulsory. Keys beyond these belong to the driver, which judges them
    itself: ``gpio`` takes ``pin``, a GPIO number such as 17, and ``active_low``, true for a board
    whose relay pulls in on a low input.
    """

    model_config = ConfigDict(extra="allow", frozen=True, strict=True, defer_build=True)

    driver: str
    """Name of the output driver: `gpio`, `dry`, or one that a package of yours registers."""
    supply: str
    """Volts with AC or DC, such as "12 V DC"."""
    current: Current
    """Nameplate current while running."""
    load_kind: str
    """`resistive` or `motor`: what the relay's contact rating must cover."""
    fed_by: Name | None = None
    """Name of a supply in [supplies], where several loads hang on one."""
    relay_module: Any = None
    """Id of a module in relay-modules.toml; the mains rule judges it."""

    def driver_options(self) -> dict[str, Any]:
        """Return the keys that belong to the driver."""
        return dict(self.model_extra or {})


class Signal(LoadTable):
    """[loads.signal]: a lamp or buzzer, on while an active alarm is not marked as seen.

    Besides this one it has every key of the other loads.
    """

    alarms: Annotated[tuple[AlarmName, ...], Field(strict=False)] = (
        AlarmName.AIR_HIGH,
        AlarmName.AIR_LOW,
        AlarmName.SWAP_DUE,
        AlarmName.RESERVOIR_EMPTY,
        AlarmName.COOLING_WHILE_OFF,
        AlarmName.PROBE_LOST,
        AlarmName.FLOW_NOT_PROVED,
        AlarmName.OUTPUT_FAILED,
    )
    """What it calls for."""
    pattern: Literal["steady", "rarer"] = "steady"
    """"steady": on all the time, as a lamp; "rarer": a minute, then a minute again after pauses
    that grow to half an hour, as a buzzer. Marking the alarm as seen ends either."""

    @field_validator("alarms", mode="before")
    @classmethod
    def _named(cls, given: object) -> object:
        known = {name.value: name for name in AlarmName if name not in OUTSIDE_THE_LAW}
        if not isinstance(given, list | tuple) or not all(isinstance(n, str) for n in given):
            return given
        wrong = [name for name in given if name not in known]
        if wrong:
            raise ValueError(f"found {', '.join(wrong)}, allowed: {', '.join(sorted(known))}")
        return tuple(known[name] for name in given)


class PowerSupply(Table):
    """[supplies.NAME]: a supply that feeds several loads, of this chamber or of others."""

    current: Current
    """Nameplate output current."""


class Loads(Table):
    """[loads]: pump and fan are compulsory, the signal is not."""

    pump: LoadTable
    fan: LoadTable
    signal: Signal | None = None

    def each(self) -> dict[str, LoadTable]:
        """Return the loads by name."""
        every = {name: getattr(self, name, None) for name in type(self).model_fields}
        return {name: load for name, load in every.items() if load is not None}


class Level(Table):
    """[inputs.level]: a level switch in the reservoir, closed while there is water enough.

    Wire it between the line and 0 V: a broken wire then reads as empty, and the pump stays off.
    """

    pin: Annotated[int, Field(ge=2, le=27)]
    """GPIO line of the switch; no load and no probe bus may use it."""


class SwitchInputs(Table):
    """[inputs]: switches that are read, all of them optional."""

    level: Level | None = None
    """A level switch in the reservoir."""


class RelayModules(Table):
    """[relay_modules]: where the list of relay modules is kept."""

    file: str | None = None
    """Default: relay-modules.toml beside the configuration, else the list that ships."""


class Records(Table):
    """[records]: where readings and events are kept."""

    path: str | None = None
    """Default: records.sqlite in the service's state directory, which a relative path is below."""
    keep_detail: Annotated[Duration, between(86_400, 315_360_000, "1 d to 3650 d")] = Seconds(
        2_592_000
    )
    """Older readings are thinned to minimum, mean and maximum of five minutes."""


class Site(Table):
    """[site]: where the chamber stands."""

    time_zone: str | None = None
    """IANA name such as "Europe/Lisbon" for stages by time of day; default: the machine's."""
    altitude_m: Annotated[float, Field(ge=-400, le=5000, strict=False)] = 0.0
    """Height above sea level [m]; thinner air carries less heat."""
    outdoor_forecast: str | None = None
    """CSV of the outdoor air to come, columns time and outdoor_c, as weather services give it; the
    forecast of swap due sends it through the house. A few days back in it help. Read again
    whenever it changes. Relative to the configuration."""
    house_time_constant: Annotated[Duration, between(600, 864_000, "10 min to 10 d")] = Seconds(
        72_000
    )
    """How slowly the house follows the weather; a day's half wave of outdoor air reaches a brick
    house some hours late. From memory: 5 h for a light house, 50 h for a heavy one."""

    def zone(self) -> tzinfo | None:
        """Return the chamber's zone, None for the machine's own."""
        return None if self.time_zone is None else ZoneInfo(self.time_zone)


class LightsTable(Table):
    """[lights]: when the chamber's lights are on. Their watts are [plant.chamber] lights_w."""

    from_: LocalTime = Field(alias="from")
    """Local time at which they go on."""
    to: LocalTime
    """Local time at which they go off."""


class People(Table):
    """[people]: when somebody is awake to change packs. Common practice, no source."""

    wakes: LocalTime = time(6, 30)
    """Pack changes are planned from this local time on."""
    sleeps: LocalTime = time(22, 30)
    """And up to this one; what falls due at night is announced before."""


class Display(Table):
    """[display]: how people see temperatures."""

    unit: Literal["C", "F"] = "C"
    """Unit of every temperature on screens, in notices and in reports."""
