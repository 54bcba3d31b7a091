"""[notices], [lookout] and [mqtt]: tables that the control process has no use for."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, field_validator

from controller.domain.alarms import AlarmName
from controller.domain.units import Duration, Seconds, between
from controller.settings.models import LocalTime, Table


class NoticesTable(Table):
    """[notices]: what people are notified of, when, and through which services."""

    addresses: str | None = None
    """File with the services' addresses, one per line, which others must not be able to read.
    Relative to the configuration. Default: nothing is sent."""
    swap_due_before: Annotated[
        tuple[Annotated[Duration, between(0, 86_400, "0 s to 1 d")], ...], Field(strict=False)
    ] = (Seconds(10_800), Seconds(3600))
    """How long before the cold may run out to say so; the longest also raises swap_due."""
    alarms: Annotated[tuple[str, ...], Field(strict=False)] | None = None
    """Names of the alarms to send; default: every one that needs a person soon."""
    repeat_crop_every: Annotated[Duration, between(0, 86_400, "0 s to 1 d")] = Seconds(1800)
    """How often an alarm that hurts the crop is sent again, at night too, until somebody marks it
    as seen; 0 s: once only."""
    tell_cleared: bool = True
    """Whether the end of an alarm is announced too."""
    summary_at: LocalTime | None = None
    """When to say once a day how things are; default: never."""
    heartbeat: str | None = None
    """File with one address that is asked for while coldpin controls, so that a service elsewhere
    can warn where that stops; others must not be able to read it. Relative to the configuration.
    Default: nothing is asked for."""
    heartbeat_every: Annotated[Duration, between(60, 86_400, "1 min to 1 d")] = Seconds(300)
    """How often the heartbeat's address is asked for."""

    @property
    def longest_lead_s(self) -> float:
        """How long before the cold may run out packs are due [s]."""
        return max(self.swap_due_before, default=0.0)

    @field_validator("alarms")
    @classmethod
    def _known(cls, named: tuple[str, ...] | None) -> tuple[str, ...] | None:
        known = {name.value for name in AlarmName}
        wrong = [name for name in named or () if name not in known]
        if wrong:
            raise ValueError(f"found {', '.join(wrong)}, allowed: {', '.join(sorted(known))}")
        return named


OWN_ADDRESSES = frozenset({"127.0.0.1", "::1", "localhost"})
"""Addresses at which only the machine itself can see the page."""


class Lookout(Table):
    """[lookout]: the page for phone and shell."""

    address: str = "127.0.0.1"
    """Where it listens. Any address but the machine's own needs a password:
    coldpin lookout CONFIG --new-password."""
    port: Annotated[int, Field(ge=1024, le=65_535)] = 8427
    """Port of the page."""
    names: Annotated[tuple[str, ...], Field(strict=False)] = ()
    """Names by which people call the machine, such as "loft.local"; others are refused."""
    reading: Literal["open", "closed"] = "open"
    """`open`: the chamber is shown without a password. Changing anything always needs it."""
    freezer_packs_per_day: Annotated[float, Field(gt=0, le=10_000, strict=False)] | None = None
    """What one freezer behind all chambers freezes in a day; the list of chambers then says whether
    it keeps up with all their plans."""


class Mqtt(Table):
    """[mqtt]: a broker to which the lookout tells how the chamber is. Default: none."""

    host: str | None = None
    """Name or address of the broker; left out: nothing is published."""
    port: Annotated[int, Field(ge=1, le=65_535)] = 1883
    """Port of the broker."""
    tls: bool = False
    """Whether the broker must prove itself; its port is then mostly 8883."""
    ca_file: str | None = None
    """Certificates to hold the broker's against, relative to the configuration; default: those of
    the machine."""
    user: str | None = None
    """Name to sign in with; default: none."""
    password_file: str | None = None
    """File with the password, which others must not be able to read. Relative to the
    configuration."""
    topic: Annotated[
        str, Field(min_length=1, max_length=100, pattern=r"^[^/#+$\s\x00-\x1f][^#+\s\x00-\x1f]*$")
    ] = "coldpin"
    """What every topic begins with."""
    every: Annotated[Duration, between(5, 3600, "5 s to 1 h")] = Seconds(30)
    """How often the state is published while nothing changes."""
    all_chambers: bool = False
    """Whether the page lists every chamber that the broker knows, and not only those here."""
    commands: bool = False
    """Whether the broker's clients may ask for what the page can ask for. Whoever may publish there
    may then stop the cooling."""
