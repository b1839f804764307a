"""What the watch of one tank itself remembers."""

from __future__ import annotations

import msgspec

from rushlight.analysis.detectors.frames import FrameBuilder
from rushlight.analysis.detectors.power.silence import SilenceDetector
from rushlight.analysis.estimators.sensor import Sensor
from rushlight.analysis.findings import Finding
from rushlight.analysis.watch.log import WatchLog

__all__ = ["WatchState"]


class WatchState(msgspec.Struct):
    """What the watch itself remembers of one tank, beside its families and alarms."""

    frames: FrameBuilder = msgspec.field(default_factory=FrameBuilder)
    silence: SilenceDetector = msgspec.field(default_factory=SilenceDetector)
    block: int = -1
    findings: list[Finding] = msgspec.field(default_factory=list)
    sensors: dict[str, Sensor] = msgspec.field(default_factory=dict)
    log: WatchLog = msgspec.field(default_factory=WatchLog)
