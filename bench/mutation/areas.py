"""Which files are safety code, and by which tests they are held."""

from __future__ import annotations

from typing import NamedTuple

__all__ = ["AREAS", "Area"]


class Area(NamedTuple):
    """A folder of which each file is safety code, but those left out: so a new file is looked at, too."""

    folder: str
    files_left_out: str  # names, blanks between
    functions_left_out: tuple[str, ...]
    tests: tuple[str, ...]


_CLOCK = "tests/analysis/estimators/test_clock_step.py"
_LOG = ("tests/analysis/service/test_keepers_log.py", "tests/analysis/service/test_keepers_log_steps.py")
_KEPT = ("tests/analysis/calibration/test_calibrate.py", "tests/analysis/commands/test_backup.py")
_STORE = ("tests/collector/store", "tests/test_running_connection.py", _CLOCK, *_LOG, *_KEPT)
_SERVICE = (
    "tests/collector/service",
    "tests/collector/intake/test_arrivals.py",
    "tests/collector/intake/test_backlog.py",
)
_NOTICES = ("tests/analysis/notices", "tests/analysis/alarms/test_trials.py")
_LIVE = ("tests/analysis/service", "tests/analysis/alarms/test_requests.py", "tests/analysis/replay", _CLOCK)
# how rows are coded, packed, read back and exported: a fault there is a wrong value, not a lost one, and the
# tests of the store hold it to what was written
_NOT_STORE = (
    "chunks codec columns embedded events exchange log_entry log_words newest recorded_rows records rows"
    " schema day_sums states tables_out"
)
# how a payload is read, stamped and flagged, and what of that is saved: their own tests hold it
_NOT_INTAKE = (
    "batch clock_doubt delivery device_clock flagging limits quality quality_state recent_reports refusals"
    " reports senml senml_records stamper_state timing topic_maps arrivals"
)
# what is said, when, and by which way out; the loop around the sending
_NOT_NOTICES = "channels heartbeat pictures quiet_hours thread wording"
# what asks a running service, what puts one together, what only looks on, and who may see the page
_NOT_LIVE = (
    "alarm_trial link_check live_readings log_input notice_trial page_access reload_request requests run"
    " systemd_unit"
)
_ONLY_TELLS = ("backup", "shrink", "check", "_translate")
_WRITES_NO_READING = ("_compact", "_bark", "_report", "system_clock")
# texts, what people ask for, and test alarms, which are beside the book
_NOT_ALARMS = "cautions requests trials wording"
_ALARMS = ("tests/analysis/alarms", "tests/analysis/watch/test_backlog.py", _CLOCK)
AREAS = (
    Area("collector/store", _NOT_STORE, _ONLY_TELLS, (*_STORE, *_SERVICE, *_NOTICES)),
    Area("collector/service", "deadline parts systemd", _WRITES_NO_READING, _SERVICE),
    Area("collector/intake", _NOT_INTAKE, (), _SERVICE),
    Area("analysis/alarms", _NOT_ALARMS, (), (*_ALARMS, *_LIVE)),
    Area("analysis/notices", _NOT_NOTICES, (), (*_NOTICES, *_LIVE)),
    Area("analysis/service", _NOT_LIVE, ("_failed",), (*_LIVE, *_NOTICES)),
)
