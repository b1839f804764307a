"""Whether an alarm was right, in the words of whoever was there: for the keeper's own statistics."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

import msgspec

from rushlight.collector.errors import AlarmError, StoreError
from rushlight.collector.safe_text import has_control
from rushlight.collector.store.embedded import EmbeddedStore
from rushlight.collector.store.records import Request

__all__ = ["VERDICTS", "VERDICT_STATE", "Verdict", "keep_verdict", "verdict_of", "verdicts"]

VERDICT_STATE = "verdict"
"""Kind of the states in the store that hold one, by the alarm's occurrence."""
_LONGEST = 300
VERDICTS: dict[str, str] = {"right": "it was right", "false": "false alarm", "other": "it was something else"}


class Verdict(msgspec.Struct, frozen=True, kw_only=True):
    """`was`: what it really was, in a person's words; `time_ms`: when they said so."""

    occurrence: str
    verdict: Literal["right", "false", "other"]
    was: str = ""
    actor: str = ""
    time_ms: int = 0

    def words(self) -> str:
        """As it is shown."""
        text = VERDICTS[self.verdict]
        if self.was:
            text = f"it was {self.was}" if self.verdict == "other" else f"{text}: {self.was}"
        return text


def verdict_of(request: Request, now_ms: int) -> Verdict:
    """What a request says.

    Raises
    ------
    AlarmError
        It is none.
    """
    said = str(request.arguments.get("verdict", ""))
    was = str(request.arguments.get("was", "")).strip()
    occurrence = str(request.arguments.get("occurrence", ""))
    if said not in VERDICTS:
        raise AlarmError(f"{said!r} is no verdict; say {', '.join(VERDICTS)}")
    if not occurrence.startswith(f"{request.tank}/{request.alarm}/"):
        raise AlarmError("a verdict is on one alarm: give the ALARM-ID that its notice ends with")
    if len(was) > _LONGEST or has_control(was):
        raise AlarmError(f"say what it was in one line of at most {_LONGEST} characters")
    if said == "other" and not was:
        raise AlarmError("say what it was instead")
    return Verdict(
        occurrence=occurrence,
        verdict=said,  # type: ignore[arg-type]
        was=was,
        actor=request.actor,
        time_ms=now_ms,
    )


def keep_verdict(store: EmbeddedStore, verdict: Verdict) -> None:
    """In the place of the one before."""
    store.save_state(VERDICT_STATE, verdict.occurrence, msgspec.json.encode(verdict), None)


def verdicts(store: EmbeddedStore, occurrences: Iterable[str] | None = None) -> dict[str, Verdict]:
    """Those of some occurrences, or all, by occurrence."""
    found = {}
    for name in store.states(VERDICT_STATE) if occurrences is None else occurrences:
        saved = store.load_state(VERDICT_STATE, name)
        if saved is not None:
            try:
                found[name] = msgspec.json.decode(saved[0], type=Verdict)
            except msgspec.MsgspecError as error:
                raise StoreError(f"{name}: its verdict can't be read ({error})") from None
    return found
