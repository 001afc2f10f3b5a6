"""What a snapshot tells of a replay: where it stands in its record, who decided it, what of it is not whole. Pure."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from controller.service.protocol import clean


def _short(text: str) -> str:
    return clean(text, 200)


LATEST_MS = 250_000_000_000_000
"""The year 9892: so that any time zone can be added to it."""

Moment = Annotated[int, Field(ge=0, le=LATEST_MS)]


class ReplayView(BaseModel):
    """Of a replay. `elapsed_s`, `length_s`: since the record's start; `core`: whose decisions are on record.

    `decided`: what is shown was decided again from the record's cycles; else it comes from its rows. `problems`: what
    is not whole, `more_problems` sentences of it besides. `name`: the run folder's.
    """

    model_config = ConfigDict(frozen=True, extra="ignore")
    elapsed_s: Annotated[float, Field(allow_inf_nan=False, ge=-1e9, le=1e9)]
    length_s: Annotated[float, Field(allow_inf_nan=False, ge=-1e9, le=1e9)]
    start_utc_ms: Moment
    end_utc_ms: Moment
    core: int
    shown_by: int
    decided: bool
    ended: bool = False
    name: Annotated[str, AfterValidator(_short)] = ""
    problems: tuple[Annotated[str, AfterValidator(_short)], ...] = ()
    more_problems: int = 0

    @property
    def first(self) -> datetime:
        """The record's first moment."""
        return datetime.fromtimestamp(self.start_utc_ms / 1000.0, UTC)

    @property
    def last(self) -> datetime:
        """The record's last moment."""
        return datetime.fromtimestamp(self.end_utc_ms / 1000.0, UTC)


def since_start(elapsed_s: float) -> str:
    """A time since the start as h:mm:ss."""
    whole = int(abs(elapsed_s))
    sign = "-" if elapsed_s <= -1.0 else ""
    return f"{sign}{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
