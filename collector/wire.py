"""Bytes into reports: SenML packs (RFC 8428, JSON form), serial lines with a CRC, topic maps.

A bad record costs only itself: it goes into `Report.problems` and its neighbours are kept. A payload of
which nothing can be kept raises `WireError`; no other exception leaves this module.
"""

from __future__ import annotations

import binascii
import json
import math
import re
from collections.abc import Iterable
from typing import Any

import msgspec

from collector.errors import WireError
from collector.readings import QUANTITIES
from collector.settings import TopicMap

__all__ = [
    "MAX_PAYLOAD",
    "Record",
    "Report",
    "TopicMaps",
    "add_crc",
    "decode_line",
    "decode_pack",
    "encode_pack",
]

MAX_PAYLOAD = 64 * 1024  # bytes; a report of every quantity is well under 1 kB
_RELATIVE_BELOW = 2**28  # RFC 8428 section 4.5.3: times below this are relative to now, in seconds
_FARTHEST_MS = 2**53  # a time beyond this is cut to it: it can't be true, and is stamped on arrival
_VERSION = 10  # RFC 8428 section 4.4

# (quantity's unit, unit sent) -> value in the quantity's unit. All are registered: RFC 8428 section 12.1
# (K, V), RFC 8798 (kW). "F" is the farad there, so degrees Fahrenheit can't be sent in a SenML pack.
_CONVERSIONS: dict[tuple[str, str], tuple[float, float]] = {
    ("Cel", "K"): (1.0, -273.15),
    ("mV", "V"): (1000.0, 0.0),
    ("W", "kW"): (1000.0, 0.0),
}
# A topic map is not SenML: there `unit` is ours, and F is what people mean by it.
_MAP_CONVERSIONS = _CONVERSIONS | {("Cel", "F"): (5 / 9, -160 / 9), ("lx", "klx"): (1000.0, 0.0)}

_UNITS = {quantity: info.unit for quantity, info in QUANTITIES.items()}
_CRC_TAIL = re.compile(rb" \*([0-9A-Fa-f]{4})\Z")
_TANK = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.:-]{0,63}")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
_NO_VALUE = frozenset({"", "nan", "null", "none", "fault"})


class Record(msgspec.Struct, gc=False):
    """One value of a report.

    Attributes
    ----------
    quantity : str
    value : float or None
        In the quantity's unit; None where the device could not read the probe.
    time_ms : int or None
        The device's absolute time, UTC, ms since 1970.
    age_ms : int or None
        How long before sending it was taken, where the device sent a relative time (negative: ahead).
    """

    quantity: str
    value: float | None
    time_ms: int | None = None
    age_ms: int | None = None


class Report(msgspec.Struct):
    """What one payload says about one tank; `seq` is -1 where the device sends none."""

    tank: str
    seq: int = -1
    records: list[Record] = []
    problems: list[WireError] = []


class _Senml(msgspec.Struct, gc=False):
    """A SenML record's fields as far as they are used; the rest are allowed and ignored."""

    bn: str | None = None
    bt: float | None = None
    bu: str | None = None
    bv: float | None = None
    bver: int | None = None
    n: str = ""
    u: str | None = None
    v: float | None = None
    vs: str | None = None
    vb: bool | None = None
    vd: str | None = None
    s: float | None = None
    t: float | None = None
    seq: int | None = None


_decode = msgspec.json.Decoder(list[_Senml]).decode


def decode_pack(payload: bytes, tank: str = "") -> Report:
    """Decode a SenML pack.

    Parameters
    ----------
    payload : bytes
        JSON array of SenML records, UTF-8.
    tank : str
        Whose it is where the pack has no base name (from the topic); the pack's own name goes first.

    Raises
    ------
    WireError
        Where nothing of it can be kept; `kind` is size, encoding, json, senml, version or the kind of the
        first bad record.
    """
    if len(payload) > MAX_PAYLOAD:
        raise WireError("size", f"payload of {len(payload)} bytes; the most that is read is {MAX_PAYLOAD}")
    problems: list[WireError] = []
    if b'_"' in payload:  # may hold a label that must be understood (RFC 8428 section 4.4)
        pack = _decode_one_by_one(payload, problems)
    else:
        try:
            pack = _decode(payload)
        except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
            pack = _decode_one_by_one(payload, problems)
    return _resolve(pack, tank, problems)


def _decode_one_by_one(payload: bytes, problems: list[WireError]) -> list[_Senml]:
    """The slow way, for packs with something wrong in them: each record that can be kept is kept."""
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError:
        raise WireError("encoding", "not UTF-8 text; send SenML as JSON in UTF-8") from None
    try:
        # NaN and Infinity are no JSON but some firmware prints them: taken here, refused by record below
        items = json.loads(text, parse_int=_whole)
    except (ValueError, RecursionError) as error:
        raise WireError("json", f"not valid JSON ({_cut(str(error))}); torn or wrongly built") from None
    if not isinstance(items, list):
        raise WireError("senml", "not a SenML pack: a pack is a JSON array of records, [{…}]")
    pack: list[_Senml] = []
    for place, item in enumerate(items, 1):
        if not isinstance(item, dict):
            problems.append(WireError("senml", f"record {place} is not a JSON object"))
            continue
        alien = next((label for label in item if label.endswith("_")), None)
        if alien is not None:
            raise WireError("senml", f"label {_cut(alien)!r} must be understood and is not known here")
        bad = [label for label, value in item.items() if not _fits(label, value)]
        for label in bad:
            kind = "seq" if label == "seq" else "number" if isinstance(item[label], float) else "type"
            problems.append(WireError(kind, f"record {place}: {label!r} can't be {_cut(repr(item[label]))}"))
            del item[label]
        if set(bad) - {"seq"} - _BASE:  # the record's own value, name, unit or time is not to be trusted
            item = {label: item[label] for label in item if label in _BASE or label == "seq"}
        pack.append(msgspec.convert(item, _Senml))
    return pack


_BASE = frozenset({"bn", "bt", "bu", "bv", "bver"})
_TEXTS = frozenset({"bn", "bu", "n", "u", "vs", "vd"})
_NUMBERS = frozenset({"bt", "bv", "v", "s", "t"})


def _whole(text: str) -> int | float:
    return int(text) if len(text) < 17 else float(text)  # int() of a long text is slow, or refused


def _fits(label: str, value: Any) -> bool:
    if label in _NUMBERS:
        number = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        return number or value is None
    if label in _TEXTS:
        return isinstance(value, str) or (value is None and label != "n")
    if label in ("seq", "bver"):
        return value is None or (isinstance(value, int) and not isinstance(value, bool))
    return value is None or isinstance(value, bool) if label == "vb" else True


def _resolve(pack: list[_Senml], tank: str, problems: list[WireError]) -> Report:
    """Apply the base fields (RFC 8428 section 4.6), check names, units and numbers."""
    base_name, base_unit = "", None
    base_time: float | None = None
    base_value = 0.0
    report_tank = ""
    records: list[Record] = []
    for item in pack:
        if item.bver is not None and item.bver > _VERSION:
            raise WireError("version", f"SenML version {item.bver}; only up to {_VERSION} is understood")
        if item.bn is not None:
            base_name = item.bn
        if item.bt is not None:
            base_time = item.bt
        if item.bu is not None:
            base_unit = item.bu
        if item.bv is not None:
            base_value = item.bv
        value = item.v
        text = item.vs
        if not item.n and value is None and text is None and item.vb is None and item.u is None:
            continue  # only sets base fields
        name = base_name + item.n
        owner, _, quantity = name.rpartition("/")
        owner = owner or tank
        unit = _UNITS.get(quantity)
        if unit is None:
            problems.append(_unknown_quantity(name, quantity))
            continue
        if owner != report_tank or not owner:
            problem = _check_tank(name, owner, report_tank)
            if problem is not None:
                problems.append(problem)
                continue
            report_tank = owner
        if (text is not None and text != "fault") or item.vb is not None or item.vd is not None:
            problems.append(
                WireError("value", f"{quantity}: has a text or a truth value; send a number, 'v'")
            )
            continue
        sent = item.u if item.u is not None else base_unit
        if text is not None:
            value = None
        elif value is not None:
            value += base_value
            if sent is not None and sent != unit:
                factors = _CONVERSIONS.get((unit, sent))
                if factors is None:
                    problems.append(_wrong_unit(quantity, unit, sent))
                    continue
                value = round(value * factors[0] + factors[1], 9)
            if not math.isfinite(value):
                problems.append(WireError("number", f"{quantity}: {value} is no measurement"))
                continue
        time = item.t
        if base_time is not None:
            time = base_time if time is None else base_time + time
        if time is None:
            records.append(Record(quantity, value))
        elif time < _RELATIVE_BELOW:
            records.append(Record(quantity, value, None, _milliseconds(-time)))
        else:
            records.append(Record(quantity, value, _milliseconds(time)))
    seq = _seq_of(pack, problems)
    if not records:
        raise problems[0] if problems else WireError("empty", "a SenML pack without any record")
    return Report(report_tank, seq, records, problems)


def _seq_of(pack: list[_Senml], problems: list[WireError]) -> int:
    seq = pack[0].seq if pack else None
    if seq is None:
        return -1
    if not 0 <= seq < 2**53:
        problems.append(WireError("seq", f"seq {seq} is not a report number; count up from 0 at boot"))
        return -1
    return seq


def _milliseconds(seconds: float) -> int:
    return round(max(-_FARTHEST_MS, min(_FARTHEST_MS, seconds * 1000)))


def _unknown_quantity(name: str, quantity: str) -> WireError:
    known = ", ".join(QUANTITIES)
    return WireError("quantity", f"{_cut(name)!r}: quantity {_cut(quantity)!r} is not known; known: {known}")


def _check_tank(name: str, owner: str, report_tank: str) -> WireError | None:
    if report_tank:
        return WireError("tank", f"{_cut(name)!r}: a pack is about one tank; send one pack for each")
    if not owner:
        return WireError("name", f"{_cut(name)!r} names no tank; the base name must be 'TANK/'")
    if not _TANK.fullmatch(owner):
        return WireError("name", f"{_cut(name)!r}: {_cut(owner)!r} can't be a tank's name")
    return None


def _wrong_unit(quantity: str, unit: str, sent: str) -> WireError:
    hint = " (in SenML, F is the farad)" if sent == "F" else ""
    return WireError(
        "unit", f"{quantity}: unit {_cut(sent)!r} can't be turned into {unit!r}{hint}; send {unit!r}"
    )


def _cut(text: str, most: int = 80) -> str:
    text = "".join(c if c.isprintable() else "·" for c in text[: most + 1])
    return text if len(text) <= most else text[:most] + "…"


def decode_line(line: bytes) -> Report:
    """Decode a line of a serial port: a pack, its CRC checked where there is one.

    A pack glued to the torn rest of the one before (a device that reset in mid-line) is still found; the
    rest is counted as a problem of kind ``torn``.

    Raises
    ------
    WireError
        As `decode_pack`; also crc, and text for a line that is no pack (a boot banner, a debug print).
    """
    line = line.strip()
    if not line.startswith(b"[") and b"[{" not in line:
        raise WireError("text", "a line that is no SenML pack: a boot banner or a debug print?")
    try:
        return _checked_line(line)
    except WireError as error:
        start = line.rfind(b"[{")
        if start <= 0 or len(line) > 2 * MAX_PAYLOAD:
            raise
        try:
            report = _checked_line(line[start:])
        except WireError:
            raise error from None
    report.problems.append(WireError("torn", f"{start} bytes before the pack belong to a torn line"))
    return report


def _checked_line(line: bytes) -> Report:
    match = _CRC_TAIL.search(line)
    if match:
        line = line[: match.start()]
        sent, found = int(match[1], 16), binascii.crc_hqx(line, 0xFFFF)
        if sent != found:
            raise WireError(
                "crc",
                f"CRC is {sent:04X}, the line's own {found:04X}: damaged on the way; check cable and baud",
            )
    return decode_pack(line)


def add_crc(line: bytes) -> bytes:
    """The line with `` *XXXX``, CRC-16/CCITT-FALSE of its bytes (poly 0x1021, init 0xFFFF)."""
    return b"%b *%04X" % (line, binascii.crc_hqx(line, 0xFFFF))


def encode_pack(report: Report) -> bytes:
    """The SenML pack that `decode_pack` reads as this report (its problems are not sent)."""
    items: list[dict[str, Any]] = []
    for record in report.records:
        item: dict[str, Any] = {"n": record.quantity, "u": _UNITS[record.quantity]}
        if record.value is None:
            item["vs"] = "fault"
        else:
            item["v"] = record.value
        if record.time_ms is not None:
            item["t"] = record.time_ms / 1000
        elif record.age_ms is not None:
            item["t"] = -record.age_ms / 1000
        items.append(item)
    items[0] = {"bn": report.tank + "/"} | ({"seq": report.seq} if report.seq >= 0 else {}) | items[0]
    return msgspec.json.encode(items)


class TopicMaps:
    """Firmware with its own topics: plain numbers, or JSON with a dotted path to the number."""

    def __init__(self, maps: Iterable[TopicMap]) -> None:
        self._maps = [(_filter(m.topic), m) for m in maps]
        self._matching: dict[str, list[TopicMap]] = {}

    def decode(self, topic: str, payload: bytes) -> Report | None:
        """The report in `payload`, None where no map is about `topic`.

        Where the maps of one topic are about several tanks, use `decode_all`; this gives the first.

        Raises
        ------
        WireError
            Where no map finds its value.
        """
        reports = self.decode_all(topic, payload)
        return reports[0] if reports else None

    def decode_all(self, topic: str, payload: bytes) -> list[Report]:
        """One report for each tank that the maps of `topic` are about; raises as `decode`."""
        maps = self._maps_of(topic)
        if not maps:
            return []
        if len(payload) > MAX_PAYLOAD:
            raise WireError("size", f"{topic}: {len(payload)} bytes; the most that is read is {MAX_PAYLOAD}")
        try:
            text = payload.decode("utf-8").strip()
        except UnicodeDecodeError:
            raise WireError("encoding", f"{_cut(topic)}: not UTF-8 text") from None
        reports: dict[str, Report] = {}
        problems: list[WireError] = []
        document: Any = _UNREAD
        for entry in maps:
            try:
                found: Any = text
                if entry.field is not None:
                    if document is _UNREAD:
                        document = _json(text)
                    found = _follow(document, entry.field)
                value = _mapped_value(found, entry)
            except WireError as error:
                problems.append(WireError(error.kind, f"{_cut(topic)}: {error}"))
                continue
            report = reports.setdefault(entry.tank, Report(entry.tank, records=[], problems=[]))
            report.records.append(Record(entry.quantity, value))
        if not reports:
            raise problems[0]
        next(iter(reports.values())).problems.extend(problems)
        return list(reports.values())

    def _maps_of(self, topic: str) -> list[TopicMap]:
        found = self._matching.get(topic)
        if found is None:
            if len(self._matching) > 1000:  # topics come from outside
                self._matching.clear()
            found = [entry for pattern, entry in self._maps if pattern.fullmatch(topic)]
            self._matching[topic] = found
        return found


_UNREAD = object()


def _filter(topic: str) -> re.Pattern[str]:
    """An MQTT topic filter as a pattern (MQTT 5 section 4.7: + one level, # the rest)."""
    if topic == "#":
        return re.compile(r"(?!\$).*", re.DOTALL)
    levels = topic.split("/")
    pattern = "/".join("[^/]*" if level == "+" else re.escape(level) for level in levels if level != "#")
    if levels[-1] == "#":
        pattern += "(?:/.*)?"
    if levels[0] == "+":
        pattern = r"(?!\$)" + pattern  # wildcards don't reach the broker's own topics
    return re.compile(pattern, re.DOTALL)


def _json(text: str) -> Any:
    try:
        return json.loads(text, parse_int=_whole)
    except (ValueError, RecursionError) as error:
        raise WireError("json", f"not valid JSON ({_cut(str(error))})") from None


def _follow(document: Any, path: str) -> Any:
    at = document
    for step in path.split("."):
        if isinstance(at, dict) and step in at:
            at = at[step]
        elif isinstance(at, list) and step.isdecimal() and len(step) < 6 and int(step) < len(at):
            at = at[int(step)]
        else:
            raise WireError("field", f"no field {path!r} in the payload")
    return at


def _mapped_value(found: Any, entry: TopicMap) -> float | None:
    """A number, or None for the words by which firmware says that a probe can't be read."""
    if found is None:
        return None
    if isinstance(found, str):
        word = found.strip()
        if word.lower() in _NO_VALUE:
            return None
        if not _NUMBER.fullmatch(word):
            hint = "; a JSON payload needs `field` in its map" if word.startswith(("{", "[")) else ""
            raise WireError("number", f"{_cut(word)!r} is no number{hint}")
        found = float(word)
    if isinstance(found, bool) or not isinstance(found, int | float):
        raise WireError("number", f"{_cut(repr(found))} is no number")
    value = float(found)
    if value != value:
        return None
    unit = _UNITS[entry.quantity]
    if entry.unit is not None and entry.unit != unit:
        factors = _MAP_CONVERSIONS.get((unit, entry.unit))
        if factors is None:
            raise _wrong_unit(entry.quantity, unit, entry.unit)
        value = round(value * factors[0] + factors[1], 9)
    if not math.isfinite(value):
        raise WireError("number", f"{value} is no measurement")
    return value
