"""The numbers of silence and of mains power."""

from __future__ import annotations

from typing import Annotated

from rushlight.analysis.numbers import Numbers, Of

__all__ = ["GAS_STOPS", "MAINS", "SILENCE", "GasStopsNumbers", "MainsNumbers", "SilenceNumbers"]


class SilenceNumbers(Numbers, frozen=True, kw_only=True):
    """When a device is silent."""

    limit_min: Annotated[int, Of("min", "no report for so long: a router's restart is shorter")] = 20
    limit_reports: Annotated[int, Of("", "or so many reports missing, where they are rarer")] = 12
    grace_min: Annotated[int, Of("min", "after a start: for what waited at the broker")] = 1
    grace_reports: Annotated[int, Of("", "or so many reports, where they are rarer")] = 2


class MainsNumbers(Numbers, frozen=True, kw_only=True):
    """When the mains has failed, and when it is back."""

    gap_min: Annotated[int, Of("min", "a longer gap in the reports is looked at")] = 15
    gap_cooling_c_per_h: Annotated[float, Of("°C/h", "how fast a tank cools, until known")] = 0.6
    gap_most_c: Annotated[float, Of("°C", "a fall in the gap beyond that and the cooling is no cut")] = 0.15
    gap_scale: Annotated[float, Of("", "so many times the usual cooling is colder water poured in")] = 1.8
    gap_least_c: Annotated[float, Of("°C", "a fall in the gap says something from there")] = 0.2
    gap_least_c_per_h: Annotated[float, Of("°C/h", "and so much more for each hour of it")] = 0.05
    gap_told_min: Annotated[
        int, Of("min", "reports flow for so long: what is still wrong has another name")
    ] = 90
    below_c: Annotated[float, Of("°C", "so far below what the heater holds it has fallen below")] = 0.1
    heats_w: Annotated[float, Of("W", "a heater that draws more is heating")] = 3.0
    out_min: Annotated[int, Of("min", "the lamp must be out for so long, at least")] = 8
    plug_min: Annotated[int, Of("min", "a metering plug that says nothing for longer is silent")] = 8
    plug_together_min: Annotated[int, Of("min", "plug and lamp that go within that go together")] = 6
    together_min: Annotated[int, Of("min", "heater and lamp that stop within that stop together")] = 3
    wait_min: Annotated[int, Of("min", "the lamp must be out for so long, with weaker signs")] = 20
    out_most_min: Annotated[int, Of("min", "out for longer, cool water says nothing of the mains")] = 240
    under_c: Annotated[float, Of("°C", "so far below what the heater holds it should heat")] = 0.15
    under_sure_c: Annotated[float, Of("°C", "the same where it always came on at one temperature")] = 0.1
    mean_values: Annotated[int, Of("", "a mean of so many five-minute values has less noise")] = 3
    under_mean_c: Annotated[
        float,
        Of(
            "°C",
            "the same of that mean",
            "of 992 times that a heater came on in ten tanks of the bench without a fault 1 in 70 fell "
            "further, and no fewer by 0.1",
        ),
    ] = 0.05
    then_min: Annotated[
        float, Of("min", "what the water had as the lamp went is a median of so long: one reading has noise")
    ] = 14.0
    fallen_c: Annotated[float, Of("°C", "so much cooler than when the lamp went, heater metered")] = 0.1
    fallen_unmetered_c: Annotated[float, Of("°C", "the same where no plug meters it")] = 0.2
    falls_c_per_h: Annotated[float, Of("°C/h", "slower falls say nothing")] = 0.06
    free_share: Annotated[float, Of("", "unheated water falls by that share of its usual cooling")] = 0.5
    lit_h: Annotated[float, Of("h", "a lamp that was not lit for longer has its own fault")] = 24.0
    warms_c_per_h: Annotated[float, Of("°C/h", "water that rises faster is heated again")] = 0.05
    recovered_min: Annotated[
        int, Of("min", "it must be back for so long: by then the water is seen to warm")
    ] = 19
    steps: Annotated[
        float, Of("steps", "of a coarse thermometer any of these falls is at least so many of its own")
    ] = 1.6
    gap_intervals: Annotated[float, Of("intervals", "a gap is at least so many of the usual ones")] = 2.5
    plug_intervals: Annotated[
        float, Of("intervals", "so many without the plug's report, and it is silent")
    ] = 2.5
    together_intervals: Annotated[
        float, Of("intervals", "what goes within so many of the plug's reports goes together")
    ] = 1.2


class GasStopsNumbers(Numbers, frozen=True, kw_only=True):
    """When the gas has stopped with the lamp."""

    kept: Annotated[int, Of("", "five-minute values of pH that are kept")] = 21
    gap_min: Annotated[float, Of("min", "a longer gap between them, and what was before is left out")] = 11.0
    block_min: Annotated[int, Of("min", "each is of so long")] = 5
    before_min: Annotated[int, Of("min", "the fall before the lamp went is over so long")] = 45
    lag_min: Annotated[int, Of("min", "an electrode and the mixing of the water lag behind by so long")] = 5
    after_min: Annotated[int, Of("min", "the fall after it is over so long, at most")] = 60
    least_values: Annotated[int, Of("", "values that a fall is seen by")] = 4
    gains_ph_per_h: Annotated[float, Of("pH/h", "pH that falls slower says nothing of a valve")] = 0.06
    even_ph_per_h: Annotated[
        float, Of("pH/h", "gas that comes as fast as it leaves: pH rises no faster, with the valve open")
    ] = 0.03
    even_rises_ph_per_h: Annotated[
        float,
        Of(
            "pH/h",
            "it rises then without gas: a fifth of what is too much leaves in an hour, the pump at rest",
        ),
    ] = 0.08
    even_sd: Annotated[
        float, Of("pH/h", "by how much pH differs from that a lamp later: it falls, without the plants")
    ] = 0.03
    clock_min: Annotated[
        float, Of("min", "so near its own hours a valve may open or shut by itself: a timer's error")
    ] = 15.0
    stopped_ph_per_h: Annotated[
        float, Of("pH/h", "without gas, lamp and pump: what leaves is made up for by what breathes")
    ] = 0.02
    stopped_sd: Annotated[float, Of("pH/h", "by how much that differs from tank to tank")] = 0.05
    goes_on_share: Annotated[
        float, Of("", "of the fall is left within the hour where only the lamp went")
    ] = 0.6
    goes_on_sd: Annotated[float, Of("", "of the fall: by how much that differs")] = 0.2
    ends_per_h: Annotated[
        float, Of("1/h", "a supply ends by itself: a cylinder is empty, a hand shuts it")
    ] = 0.01
    ends_unknown_per_h: Annotated[
        float, Of("1/h", "the same where its hours are not known: once in ten hours of gas it is shut")
    ] = 0.1
    others: Annotated[
        float, Of("", "probability that someone did something else to the water in that hour")
    ] = 0.05
    others_ph_per_h: Annotated[
        float, Of("pH/h", "which may move pH by as much as that either way, all the same to us")
    ] = 1.0
    prior: Annotated[
        float,
        Of(
            "",
            "probability that the mains went, where a lamp went and the device reports on: as often as not",
        ),
    ] = 0.5
    named: Annotated[
        float,
        Of("", "so probable it is said: of dead lamps, one in three years, one in ten at most is misnamed"),
    ] = 0.9


SILENCE = SilenceNumbers()
MAINS = MainsNumbers()
GAS_STOPS = GasStopsNumbers()
