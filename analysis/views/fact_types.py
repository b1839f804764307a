"""The facts of a moment as types: what status and the page show."""

from __future__ import annotations

import msgspec

from rushlight.analysis.alarms.wording import duration_text
from rushlight.analysis.views.beyond_limits import CheckFacts
from rushlight.analysis.views.refused import RefusedFacts
from rushlight.collector.events import Priority
from rushlight.collector.influx.state import DrainReport

__all__ = [
    "AlarmFacts",
    "CarbonDioxideFacts",
    "DeviceFacts",
    "Facts",
    "FailureFacts",
    "LinkFacts",
    "NoticeFacts",
    "ReadingFacts",
    "TankFacts",
]

_COMES_MS = 90_000
_FAULTS = {
    "failed": "times not reached",
    "lost": "times cut off",
    "refused": "times refused by the broker",
    "garbled": "unreadable (wrong baud rate, bad cable?)",
    "overlong": "too long for a line",
    "torn": "cut short",
    "oversize": "too large",
    "unsubscribed": "topics that the broker does not give",
}
"""The counters of a link in words, behind their number."""


class ReadingFacts(msgspec.Struct, kw_only=True):
    """The newest reading of one quantity; `printed` is its value as people read it, `age_ms` may be < 0.

    `doubt`: of pH, what is not known of its electrode. `trend` and `usual`: how it moves, and whether it is
    usual for this time of the day, in words; "" where that is not known.
    """

    quantity: str
    title: str
    value: float | None
    unit: str
    printed: str
    time_ms: int
    age_ms: int
    remark: str = ""
    doubt: str = ""
    trend: str = ""
    usual: str = ""


class CarbonDioxideFacts(msgspec.Struct, kw_only=True):
    """Dissolved CO2 as estimated from the newest pH, mg/L; one standard error either way.

    `doubt`: what is not known of the electrode behind it, "" for nothing.
    """

    mg_l: float
    low_mg_l: float
    high_mg_l: float
    limit_mg_l: float
    age_ms: int
    doubt: str = ""


class AlarmFacts(msgspec.Struct, kw_only=True):
    """One alarm that is not plainly normal.

    `raised` is True while it asks for something to be done, `over` where only the acknowledgement is missing,
    `away` where it comes and goes and is not there now (`returns` says so, "" where it doesn't come and go);
    `unseen` says since when nobody can see whether its condition is there, "" where it is seen;
    `time_left_s` is as of now. `state_text` is
    the state (ISA-18.2) with its times, `time_left` its words, "" where it can't be said. `person_first`: its
    cautions come before its steps. `occurrence` is what `rushlight explain` takes.
    """

    alarm: str
    quantity: str
    title: str
    priority: Priority
    state: str
    state_text: str
    unseen: str = ""
    raised: bool
    over: bool
    away: bool = False
    returns: str = ""
    headline: str
    raised_ms: int | None
    shelf_end_ms: int | None
    time_left_s: float | None
    time_left: str
    cause: str
    consequence: str
    action: list[str]
    cautions: list[str]
    person_first: bool
    observations: list[str]
    rule_out: str
    occurrence: str = ""


class DeviceFacts(msgspec.Struct, kw_only=True):
    """What a device last said of itself, "online" or "offline"."""

    word: str
    age_ms: int


class FailureFacts(msgspec.Struct, kw_only=True):
    """A detector that failed on this tank's readings: an error of Rushlight's own."""

    detector: str
    age_ms: int


class TankFacts(msgspec.Struct, kw_only=True):
    """One tank; `watched` is False where it is in the store but not in the settings.

    `checks`: what is beyond a limit or otherwise odd, and no alarm yet. `tests`: test alarms that go on, a
    line each. `learnt`: what it has taught, a line each; `offers`: missing settings that this could fill.
    `unnoted`: water changes that were seen and not noted.
    `weak`: alarms that suffer from coarse steps or rare reports, a line each.
    `counts`: what happened to its reports since the store began, in words. `local_time`: date and time there.
    `hands_until_ms`: until when (ms UTC) somebody has their hands in it, None where nobody has said so.
    """

    name: str
    title: str
    watched: bool
    readings: list[ReadingFacts]
    carbon_dioxide: CarbonDioxideFacts | None = None
    device: DeviceFacts | None = None
    failure: FailureFacts | None = None
    alarms: list[AlarmFacts] = []
    tests: list[str] = []
    checks: list[CheckFacts] = []
    learnt: list[str] = []
    weak: list[str] = []
    offers: list[str] = []
    unnoted: list[str] = []
    counts: list[str] = []
    local_time: str = ""
    trouble: str = ""
    hands_until_ms: int | None = None


class LinkFacts(msgspec.Struct, kw_only=True):
    """How a link does; `age_ms` None: nothing has come since the service started."""

    name: str
    delivered: int
    age_ms: int | None
    faults: dict[str, int]

    @property
    def words(self) -> str:
        """As people are told it. What came in the last minute is not counted in seconds: the counters are
        written every half minute, and the values beside them are newer."""
        came = "nothing came since the service started"
        if self.age_ms is not None:
            old = self.age_ms >= _COMES_MS
            came = f"last report {duration_text(self.age_ms / 1000)} ago" if old else "reports come in"
        wrong = [f"{count} {_FAULTS.get(key, key)}" for key, count in self.faults.items()]
        return ", ".join([f"{self.delivered} received", came, *wrong])


class NoticeFacts(msgspec.Struct, kw_only=True):
    """Notices that are not delivered yet; `late` should have been by now, `refused` were tried in vain."""

    waiting: int
    late: int
    refused: int
    error: str


class Facts(msgspec.Struct, kw_only=True):
    """Everything at `time_ms` (ms UTC); `process` is the running service's number, None where none runs.

    `refused`: reports, or parts of them, that could not be taken. `server`: how far the copy on an InfluxDB
    server is, None where the settings name none.
    """

    time_ms: int
    process: int | None
    tanks: list[TankFacts]
    links: list[LinkFacts]
    notices: NoticeFacts
    server: DrainReport | None = None
    refused: list[RefusedFacts] = []
