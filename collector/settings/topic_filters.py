"""MQTT topic filters: which are well formed (MQTT 5 section 4.7, the same in 3.1.1)."""

from __future__ import annotations

from rushlight.collector.safe_text import has_control

__all__ = ["filter_fault"]

_LONGEST = 65_535  # bytes of UTF-8: section 1.5.4
_LEVELS = 200  # Mosquitto ends the connection of who asks for more (TOPIC_HIERARCHY_LIMIT, from memory)


def filter_fault(topic: str) -> str | None:
    """What makes a topic filter of the settings unusable, with what to do; None where it can be used.

    A broker ends the connection of who subscribes to a malformed one, and with it all other topics.
    """
    if not topic:
        return "is empty; name a topic, as in 'shed/probe1/t'"
    if has_control(topic):
        return "has a control character in it, which no topic may have; take it out"
    levels = topic.split("/")
    if topic.startswith("$share/"):
        return "is a shared subscription; leave '$share/GROUP/' out, `run --part` adds its own"
    if any("#" in level for level in levels[:-1]) or ("#" in levels[-1] and levels[-1] != "#"):
        return (
            "is not an MQTT topic filter (# only at the end, as a level of its own); write a/# for all of a"
        )
    if any("+" in level and level != "+" for level in levels):
        return "is not an MQTT topic filter (+ only as a level of its own); write a/+/b for any one level"
    if len(levels) > _LEVELS or len(topic.encode()) > _LONGEST:
        return f"is too long for a broker (at most {_LEVELS} levels, {_LONGEST} bytes); shorten it"
    return None
