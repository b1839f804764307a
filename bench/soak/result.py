"""The soak's tables, and whether it passed."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from typing import NamedTuple

from bench.soak.alarms import NoticeAudit
from bench.soak.audit import Copy, Verdict
from bench.soak.chaos import Chaos
from bench.soak.load import Board
from bench.soak.sabotage import SHOWS
from bench.soak.tap import Tap
from rushlight.collector.intake.recent_reports import REMEMBERED

__all__ = ["Result", "tell"]


class Result(NamedTuple):
    """All that was found.

    `replay` is None where the clock was stepped; `ended` has the exit statuses that nobody asked for.
    """

    mqtt: list[Verdict]
    serial: Verdict
    plain: Verdict
    plain_faults: list[str]
    alarms: Verdict
    broken: dict[str, list[int]]
    copies: list[Copy]
    replay: list[str] | None
    unseen: tuple[int, list[str]]
    order: list[str]
    notices: NoticeAudit
    faults: list[str]
    status: int | None
    ended: list[int]
    seconds: float


def tell(
    arguments: argparse.Namespace, chaos: Chaos, tap: Tap, boards: Sequence[Board], result: Result
) -> bool:
    """Print what was done and found; True where nothing is wrong, or a sabotage was not found."""
    _done(arguments, chaos, result)
    forgotten = _readings(result)
    _reports(result)
    _broker_went_back(tap)
    _alarms(result)
    print(f"\nStore: {result.faults or 'whole'}; the collector's last exit status: {result.status}.\n")
    for board, gone in zip(boards, forgotten, strict=True):
        for number in gone:
            handed = tap.handed[board.tank, number]
            print(
                f"- {board.tank}, report {number}: handed to the collector {handed} times, never "
                f"acknowledged by it; {_when(board.acknowledged[number], chaos)}."
            )
    failed = _judge(boards, result, forgotten)
    if arguments.sabotage:
        shown = SHOWS.get(arguments.sabotage, "")
        meant = shown in failed and any(v.stored for v in result.mqtt)
        print(f"\nThe sabotage is {'found' if meant else 'NOT found'}: {shown}.")
        return not meant
    return not failed


def _done(arguments: argparse.Namespace, chaos: Chaos, result: Result) -> None:
    done, events, resend = [what for _, what in chaos.kills], chaos.events, arguments.resend
    again = f"their last {resend} reports again at a new connection" if resend else "nothing again"
    again += f"; the clock runs at {arguments.rate} times its pace"
    print(f"Seed {arguments.seed}, {result.seconds:.0f} s; boards send {again}.\n")
    if arguments.sabotage:
        print(f"Sabotaged: {arguments.sabotage}.\n")
    print("| what was done | times |\n|---|---|")
    for what, times in (
        ("collector killed (SIGKILL)", done.count("collector")),
        ("broker killed (SIGKILL)", done.count("broker")),
        ("of these, both at once", events["both"]),
        ("InfluxDB killed (SIGKILL)", done.count("server")),
        ("collector's clock stepped", events["step"]),
        ("of these, collector killed with the step", events["killed while the clock steps"]),
        ("disk filled", events["full"]),
        ("of these, collector killed and started on the full disk", events["killed while the disk is full"]),
        ("store held by another process, collector killed while it waits", events["busy"]),
        ("a target out of order, or back in order", events["target"]),
        (
            "broker ended by itself and was started again",
            f"{len(chaos.broker_ended)} {chaos.broker_ended or ''}",
        ),
        ("collector ended by itself and was started again", f"{len(result.ended)} {result.ended or ''}"),
    ):
        print(f"| {what} | {times} |")


def _readings(result: Result) -> list[list[int]]:
    """The table of readings; for each numbered board the reports that the broker forgot."""
    print(
        "\n| MQTT, readings | sent | acknowledged by the broker | stored | reports acknowledged by the "
        "collector and not stored | reports forgotten by the broker | doubled | never sent | "
        "own time replaced |"
    )
    print("|---|---|---|---|---|---|---|---|---|")
    forgotten = []
    for v in (*result.mqtt, result.plain, result.alarms):
        broken = result.broken[v.tank]
        gone = [n for n in sorted({n for _, n in v.lost}) if n not in broken]
        if v in result.mqtt:
            forgotten.append(gone)
        print(
            f"| {v.tank} | {v.sent} | {v.acknowledged} | {v.stored} | {len(broken)} | {len(gone)} |"
            f" {len(v.doubled)} | {v.strange} | {v.retimed} |"
        )
    return forgotten


def _broker_went_back(tap: Tap) -> None:
    """What the broker forgot of the acknowledgements: the collector remembers so many and no more."""
    tank, most = max(tap.behind.items(), key=lambda pair: pair[1], default=("no board", 0))
    print(f"\nAfter a kill the broker went back at most {most} reports that were acknowledged ({tank}).")
    if most > REMEMBERED:
        print(
            f"That is more than the {REMEMBERED} that the collector remembers of a board: what is doubled "
            "by it says nothing. Run it again on a machine with less to do."
        )


def _reports(result: Result) -> None:
    print("\n| reports | sent | stored | missing | counted as lost by `seq` | doubled |")
    print("|---|---|---|---|---|---|")
    for v in (*result.mqtt, result.serial):
        missing = v.sent // 2 - v.stored // 2
        print(
            f"| {v.tank} | {v.sent // 2} | {v.stored // 2} | {missing} | {v.counted} |"
            f" {len(v.doubled) // 2} |"
        )
    print("\n| copy, readings | local file | InfluxDB | missing there | only there |")
    print("|---|---|---|---|---|")
    for c in result.copies:
        print(f"| {c.tank} | {c.local} | {c.server} | {c.missing} | {c.extra} |")


def _alarms(result: Result) -> None:
    notices, (asked, missing) = result.notices, result.unseen
    print("\n| alarms raised | notices in the outbox, both targets | received | received again |")
    print("|---|---|---|---|")
    print(f"| {notices.raised} | {notices.rows} | {notices.received} | {notices.again} |")
    replay = (
        "not compared, the clock was stepped"
        if result.replay is None
        else f"{len(result.replay)} differences"
    )
    print(f"\nAgainst an undisturbed replay of the stored readings: {replay}.")
    print(f"Minutes of warm water after the last kill: {asked}; warm times without an alarm: {len(missing)}.")
    for fault in (*result.plain_faults, *notices.faults, *missing, *result.order, *(result.replay or ())):
        print(f"- {fault}")


def _judge(boards: Sequence[Board], result: Result, forgotten: list[list[int]]) -> list[str]:
    line, numbered = result.serial, (*result.mqtt, result.serial, result.alarms)
    for v in numbered:
        if v.doubled:
            print(f"{v.tank}: doubled, first of them: {v.doubled[:6]}", file=sys.stderr)
    print(f"serial: first stored {line.first}, last {line.last} of {line.sent // 2}", file=sys.stderr)
    between = line.last - line.first + 1 - line.stored // 2
    bad = {
        "acknowledged and not stored": any(result.broken.values()),
        "doubled or never sent": any(v.doubled or v.strange for v in numbered),
        "without numbers": bool(result.plain_faults),
        "the copy differs": any(c.missing or c.extra for c in result.copies),
        "forgotten although sent again": any(
            gone for board, gone in zip(boards, forgotten, strict=True) if board.resend
        ),
        "serial losses not counted": between != line.counted or line.last < line.sent // 2 - 1,
        "store or exit status": bool(result.faults) or result.status != 0,
        "alarms differ from the replay": bool(result.replay),
        "no alarm although the water was warm": bool(result.unseen[1]),
        "alarms cleared or raised wrongly": bool(result.order),
        "notices": bool(result.notices.faults),
    }
    failed = [name for name, found in bad.items() if found]
    if failed:
        print(f"failed: {', '.join(failed)}", file=sys.stderr)
    return failed


def _when(acknowledged: float, chaos: Chaos) -> str:
    """How near a broker's kill: tells a loss in the broker from one in the collector."""
    kills = [at for at, what in chaos.kills if what == "broker"]
    nearest = min(kills, key=lambda at: abs(at - acknowledged), default=None)
    if nearest is None:
        return "no broker was killed"
    before = (nearest - acknowledged) * 1000
    return f"acknowledged {before:+.0f} ms before the nearest kill of the broker was over"
