"""The numbers of the gas family: the pH curve, the estimate of CO2, and its three judgements."""

from __future__ import annotations

from typing import Annotated

from rushlight.analysis.numbers import Numbers, Of

__all__ = ["ABSENCE", "CURVE", "DUTY", "ESTIMATE", "HARDNESS", "OVERDOSE", "PH_RANGE"]


class CurveNumbers(Numbers, frozen=True, kw_only=True):
    """The pH curve: its steps and gaps, the usual day, and how it departs from it."""

    block_values: Annotated[int, Of("values", "a five-minute value is the median of so many minutes")] = 5
    window_values: Annotated[int, Of("values", "five-minute values that are kept: three hours")] = 37
    residual_values: Annotated[int, Of("values", "departures from the usual day, kept for six hours")] = 73
    unread_ph: Annotated[float, Of("pH", "before the first reading: neutral")] = 7.0
    day_values: Annotated[
        int, Of("values", "five-minute values that make a day of the usual day, of 288")
    ] = 190
    slope_min: Annotated[int, Of("min", "a slope is one over so long")] = 30
    first_slope_min: Annotated[int, Of("min", "and over so long at the beginning")] = 15
    long_slope_min: Annotated[int, Of("min", "the slope that says whether resting water is flat")] = 120
    block_gap_min: Annotated[
        int, Of("min", "no median across a longer gap: it would make a slope of a step")
    ] = 4
    restart_gap_min: Annotated[int, Of("min", "after a longer gap the curve begins anew")] = 20
    lost_min: Annotated[
        int, Of("min", "after as long without a good pH nothing is judged by the old one")
    ] = 30
    step_quiet_min: Annotated[int, Of("min", "after a step nothing new is judged: it settles first")] = 15
    step_ph: Annotated[float, Of("pH", "within five minutes is a step, and no chemistry")] = 0.05
    step_share: Annotated[float, Of("", "of a fall: a step that is as much of it is what it is")] = 0.6
    gap_min: Annotated[int, Of("min", "between two five-minute values: a longer one is a gap")] = 9
    steady_values: Annotated[int, Of("values", "five-minute values that are looked at for a steady fall")] = 7
    after_step_values: Annotated[int, Of("values", "five-minute values that show whether a step was one")] = 5
    before_gap_values: Annotated[int, Of("values", "five-minute values before a gap that show a level")] = 4
    even_ph: Annotated[float, Of("pH", "a level that moves by less is even")] = 0.04
    steepest_ph_per_h: Annotated[float, Of("pH/h", "no forecast goes on faster")] = 2.0
    recent_days: Annotated[int, Of("days", "the usual lowest and highest are medians of so many")] = 3
    anchored_days: Annotated[int, Of("days", "from so many on the first of them hold the usual lowest")] = 5
    unsettled_ph: Annotated[float, Of("pH", "scatter of the lowest pH before three days have shown it")] = (
        0.06
    )
    least_scatter_ph: Annotated[float, Of("pH", "no tank's days are more alike")] = 0.03
    most_scatter_ph: Annotated[float, Of("pH", "no more is allowed for")] = 0.2
    mad_to_sigma: Annotated[
        float,
        Of(
            "",
            "a median absolute deviation times this is a standard deviation",
            "normal distribution: 1 / 0.6745, the quartile of its standard form",
        ),
    ] = 1.4826
    lift_min: Annotated[int, Of("min", "a rise over so long is compared with what leaving gas makes")] = 15
    lift_values: Annotated[int, Of("values", "five-minute values that are kept for it")] = 4
    lift_gap_min: Annotated[int, Of("min", "over a longer gap nobody knows how fast it rose")] = 30
    lift_ph: Annotated[
        float, Of("pH", "what it must be more than that: noise and wander of an electrode")
    ] = 0.06
    lift_scale: Annotated[
        float, Of("", "times the tank's usual loss of gas: with its lid off it loses faster")
    ] = 1.5
    lift_settles_min: Annotated[
        int, Of("min", "water that was poured in is mixed, and the electrode there")
    ] = 60
    lift_poured_min: Annotated[
        int, Of("min", "water is poured in within; what lifts pH for longer is no water")
    ] = 25
    lift_lasts_h: Annotated[float, Of("h", "a lift explains a high pH, until the usual day has followed")] = (
        48.0
    )
    creep_days_ph: Annotated[float, Of("pH", "lows and highs that sink by more in two days: hardness")] = 0.08
    creep_span_min: Annotated[int, Of("min", "a creep is one over so long: six hours less two values")] = 350
    creep_now_ph: Annotated[float, Of("pH", "below the usual now, for a creep within a day")] = 0.15
    creep_before_share: Annotated[float, Of("", "of that was there at the beginning of the span")] = 0.55
    injected_ph: Annotated[float, Of("pH", "a larger daily swing is hardly made by plants alone")] = 0.5
    stepped_noise_ph: Annotated[float, Of("pH", "a smaller sum of steps is noise")] = 0.04
    stepped_gain: Annotated[float, Of("", "beyond it steps are taken off so much faster, up to all")] = 3
    stepped_guess_ph: Annotated[float, Of("pH", "with a larger sum of steps the level is a guess")] = 0.2


class EstimateNumbers(Numbers, frozen=True, kw_only=True):
    """What the settings say of the water is weighed against what the fish have lived with."""

    lived_share: Annotated[float, Of("", "of the limit: CO2 is set to about that where fish do well")] = 0.7
    lived_log: Annotated[
        float, Of("ln mg/L", "standard error of that: from half of the limit to just under it")
    ] = 0.35
    aired_share: Annotated[float, Of("", "of the open air's CO2 is in water left standing in a room")] = 1.5
    near_degassed_ph: Annotated[
        float, Of("pH", "the highest pH comes so near a degassed one that was taken before the gas comes on")
    ] = 0.45
    unsure_log: Annotated[float, Of("ln mg/L", "standard error by a degassed pH of unknown meaning")] = 0.8
    degassed_log: Annotated[float, Of("ln mg/L", "standard error by a degassed pH")] = 0.6


class HardnessNumbers(Numbers, frozen=True, kw_only=True):
    """Hardness as it moves, and what the water holds at rest."""

    told_sds: Annotated[
        float,
        Of("", "standard errors from what was believed: a test stands alone", "5 % normal distribution"),
    ] = 2.0
    kept_notes: Annotated[int, Of("", "tests and water changes that are kept, to begin anew with")] = 20
    reference_ph: Annotated[
        float,
        Of(
            "pH",
            "the carbonate equilibria are solved here; below pH 8 CO2 goes as 10^-pH from it",
            "arithmetic",
        ),
    ] = 7.0
    uniform: Annotated[
        float,
        Of("", "a range squared over its variance", "rectangular distribution; JCGM 100:2008, 4.3.7"),
    ] = 12.0
    steady_log: Annotated[float, Of("ln dKH/√day", "KH moves by, where no soil takes it up")] = 0.08
    leap_days: Annotated[
        float, Of("days", "at most so long between two looks counts: more may be a clock that leapt ahead")
    ] = 1.0
    soil_log: Annotated[float, Of("ln dKH/√day", "KH moves by over active soil")] = 0.4
    first_days: Annotated[int, Of("days", "a tank that was started is new for so long")] = 30
    first_times: Annotated[
        float,
        Of("", "so much faster KH moves in them: fresh soil takes it up, filter and stones begin to work"),
    ] = 1.5
    moves_every_min: Annotated[int, Of("min", "what moves in days is moved on once in so long")] = 60
    soil_least_dkh: Annotated[float, Of("dKH", "fresh active soil leaves no less")] = 0.3
    least_dkh: Annotated[float, Of("dKH", "a KH below it counts as it: keeps the logarithm finite")] = 0.05
    most_dkh: Annotated[float, Of("dKH", "and one above it as it: no tank is harder")] = 40.0
    most_log: Annotated[float, Of("ln dKH", "standard error of a KH of which nothing is known")] = 1.0
    least_log: Annotated[float, Of("ln mg/L", "no CO2 is known better")] = 0.02
    tap_share: Annotated[float, Of("", "of the tank's KH: error of the tap's where nobody gave it")] = 0.5
    rest_mg_l: Annotated[float, Of("mg/L", "CO2 before the gas comes on, likeliest")] = 2.0
    rest_log: Annotated[float, Of("ln mg/L", "standard error of it: from the air's to a full tank's")] = 0.7
    rest_moves_log: Annotated[float, Of("ln mg/L/√day", "by which it moves")] = 0.05
    rest_scatter_log: Annotated[float, Of("ln mg/L", "by which it differs from day to day")] = 0.2
    after_gas_min: Annotated[int, Of("min", "the gas has had that long to leave")] = 360
    before_gas_min: Annotated[int, Of("min", "before it comes on the water is looked at")] = 10
    rest_ph_per_h: Annotated[float, Of("pH/h", "a faster change is no rest")] = 0.05


class OverdoseNumbers(Numbers, frozen=True, kw_only=True):
    """Too much CO2: by level, by forecast, and against this tank's usual days."""

    least_days: Annotated[int, Of("days", "a time of day must have been seen on, to be usual")] = 2
    usual_ph: Annotated[float, Of("pH", "less below the usual lowest: it reads so every day")] = 0.1
    rough_log: Annotated[float, Of("ln mg/L", "an estimate with a larger error forecasts nothing")] = 0.5
    rough_probability: Annotated[float, Of("", "such an estimate must be over the limit with")] = 0.955
    falling_ph_per_h: Annotated[float, Of("pH/h", "a faster fall is on its way to the limit")] = 0.1
    steep_ph: Annotated[
        float, Of("pH", "a usual curve that moves by more in an hour: minutes make a departure")
    ] = 0.25
    at_once_ph_per_h: Annotated[float, Of("pH/h", "a faster fall in a known tank is told at once")] = 0.25
    lets_go_share: Annotated[float, Of("", "of the limit: what is raised stays above it")] = 0.9
    below_ph: Annotated[float, Of("pH", "below the usual lowest, to be below it at all")] = 0.03
    over_now_probability: Annotated[
        float, Of("", "of being over the limit now: raised by the estimate alone")
    ] = 0.945
    over_soon_probability: Annotated[
        float, Of("", "of being over it within the hour that a person needs, at the pH's own pace")
    ] = 0.841
    creeping_share: Annotated[float, Of("", "of the limit: there a forecast begins from no less")] = 0.6
    scatters: Annotated[float, Of("scatters", "of the daily lowest pH are added to each departure")] = 1.5
    over_below_ph: Annotated[
        float, Of("pH", "below the usual lowest where the estimate is over the limit")
    ] = 0.07
    may_below_ph: Annotated[float, Of("pH", "below it where the estimate may be over the limit")] = 0.18
    strange_ph: Annotated[
        float, Of("pH", "below the usual of this time of day: gas runs that should not")
    ] = 0.1
    strange_below_ph: Annotated[float, Of("pH", "then below the usual lowest by no more than")] = 0.05
    strange_errors: Annotated[float, Of("standard errors", "of the estimate are added for it")] = 0.35
    stranger_least_ph: Annotated[float, Of("pH", "so far below the usual of this time of day at least")] = (
        0.25
    )
    stranger_ph: Annotated[float, Of("pH", "below the usual of this time of day, by much")] = 0.12
    stranger_scatters: Annotated[float, Of("scatters", "are added to it")] = 3.0
    through_share: Annotated[float, Of("", "of the limit: falling on through it needs no usual curve")] = 0.9
    soon_drift_ph_per_h: Annotated[float, Of("pH/h", "away from the usual curve, for a forecast")] = 0.08
    soon_fall_ph_per_h: Annotated[float, Of("pH/h", "and the pH itself must fall")] = 0.05
    soon_odd_ph: Annotated[float, Of("pH", "and be below the usual of this time of day")] = 0.05
    steep_above_ph: Annotated[
        float, Of("pH", "above the usual lowest nothing is forecast where the curve is steep")
    ] = 0.05
    steep_odd_ph: Annotated[
        float, Of("pH", "nor below the usual of this time of day by less, and a scatter")
    ] = 0.15
    soon_share: Annotated[float, Of("", "of the limit: an estimate below is not an hour from it")] = 0.5
    soon_high_share: Annotated[float, Of("", "unless it may be over that share of the limit")] = 0.6
    ahead_ph: Annotated[float, Of("pH", "the forecast goes below the usual lowest by, over the limit")] = 0.11
    ahead_may_ph: Annotated[float, Of("pH", "the same where it only may be over the limit")] = 0.25
    fresh_hour_min: Annotated[int, Of("min", "against a sinking curve, what an hour adds: less a value")] = 55
    fresh_morning_min: Annotated[int, Of("min", "and what five hours and a half add")] = 330
    fresh_hour_ph: Annotated[float, Of("pH", "in that hour where a valve gives the gas")] = 0.15
    fresh_hour_steady_ph: Annotated[float, Of("pH", "in that hour where it comes night and day")] = 0.07
    fresh_morning_ph: Annotated[float, Of("pH", "hardness hardly ever runs out by so much in six hours")] = (
        0.25
    )
    least_fall_ph_per_h: Annotated[float, Of("pH/h", "a slower fall gives no time left")] = 0.01
    said_odd_ph: Annotated[float, Of("pH", "below the usual of this time of day, worth saying")] = 0.1
    warm_margin_c: Annotated[float, Of("°C", "below the highest temperature: warm and gassed is worse")] = 1.0
    urgent_s: Annotated[float, Of("s", "less time left is critical: somebody has to wake and act")] = 5400


class AbsenceNumbers(Numbers, frozen=True, kw_only=True):
    """CO2 that should run and does not."""

    after_opening_min: Annotated[int, Of("min", "until then the gas of the day hardly shows")] = 150
    patience_min: Annotated[int, Of("min", "it must have looked wrong for")] = 60
    own_hours_min: Annotated[
        int, Of("min", "and for so long where its hours are those of the usual day, and pH is no new high")
    ] = 240
    timed_ph: Annotated[float, Of("pH", "above the usual, at least, where a valve has its hours")] = 0.22
    timed_share: Annotated[float, Of("", "of the daily swing, there")] = 0.45
    untimed_ph: Annotated[float, Of("pH", "above the usual, at least, where no hours are known")] = 0.3
    untimed_share: Annotated[float, Of("", "of the daily swing, there")] = 0.6
    level_ph_per_h: Annotated[float, Of("pH/h", "a faster fall: the gas is on its way")] = 0.08
    most_share: Annotated[float, Of("", "of the limit: with more in the water it is not gone")] = 0.8
    back_ph: Annotated[float, Of("pH", "above the usual, by less: it is back")] = 0.12
    above_highest_ph: Annotated[float, Of("pH", "above the usual highest, where no hours are known")] = 0.05


class RangeNumbers(Numbers, frozen=True, kw_only=True):
    """pH out of its limits, or on its way there."""

    lowest_ph: Annotated[float, Of("pH", "the limit where the settings give none")] = 5.8
    highest_ph: Annotated[float, Of("pH", "the limit where the settings give none")] = 8.6
    known_days: Annotated[int, Of("days", "make what is this tank's own")] = 2
    own_swing_ph: Annotated[float, Of("pH", "so far past a limit a tank may have its usual day")] = 0.2
    past_lowest_ph: Annotated[float, Of("pH", "below its lowest, to be no usual day")] = 0.03
    past_highest_ph: Annotated[float, Of("pH", "above its highest, to be no usual day")] = 0.05
    unusual_ph: Annotated[float, Of("pH", "past what is usual, by as much as probes creep in a month")] = 0.15
    strange_ph: Annotated[float, Of("pH", "past all days of this tank: none has come near it")] = 0.25
    near_ph: Annotated[float, Of("pH", "before the limit, where hardness runs out: it stays raised")] = 0.3
    lets_go_ph: Annotated[float, Of("pH", "inside the limits, until which it stays raised")] = 0.1
    steep_ph_per_h: Annotated[float, Of("pH/h", "a faster change past a limit is told at once")] = 0.3
    far_ph: Annotated[float, Of("pH", "past a limit: told at once")] = 0.3
    further_ph: Annotated[float, Of("pH", "past a limit: told soon")] = 0.15
    soon_min: Annotated[int, Of("min", "patience with that")] = 10
    patience_min: Annotated[int, Of("min", "patience with what is just past a limit")] = 30
    high_priority_ph: Annotated[float, Of("pH", "past a limit: of high priority")] = 0.4
    sinks_ph_per_day: Annotated[float, Of("pH/day", "a curve that sinks slower is not on its way")] = 0.08
    gas_ph_per_h: Annotated[float, Of("pH/h", "a faster fall, where gas is given, is gas")] = 0.08
    ahead_days: Annotated[
        float, Of("d", "a limit to which the days' lowest pH sinks within that: a day is left to act")
    ] = 2.0
    spans_a_day: Annotated[float, Of("", "six hours of creep are a quarter of a day's")] = 4
    gone_above_ph: Annotated[float, Of("pH", "above the degassed pH it is more than gas that is gone")] = 0.3
    beyond_air_ph: Annotated[float, Of("pH", "above the degassed pH: no loss of gas goes further")] = 0.05
    slows_share: Annotated[float, Of("", "of its pace: a rise that has slowed to it is over")] = 0.3
    sure_rise_ph_per_h: Annotated[float, Of("pH/h", "a faster rise is no loss of gas")] = 0.4
    cooling_c_per_h: Annotated[float, Of("°C/h", "cooling, until the tank has shown its own")] = 0.6
    poured_times: Annotated[float, Of("", "faster than it cools by itself: water was poured in")] = 2.0
    poured_c_per_h: Annotated[float, Of("°C/h", "and by so much more")] = 0.3
    poured_warm_times: Annotated[float, Of("", "faster than its heater can: water was poured in")] = 1.5


class DutyNumbers(Numbers, frozen=True, kw_only=True):
    """How long a pH controller's valve is open."""

    values: Annotated[int, Of("values", "five-minute values that are looked at: three hours")] = 36
    value_min: Annotated[int, Of("min", "of each")] = 5
    parts: Annotated[int, Of("", "places of the usual day that those hours are compared with")] = 6
    least_days: Annotated[int, Of("days", "that make a usual day of the valve")] = 2
    least_usual: Annotated[float, Of("", "a valve that is usually open for less says nothing")] = 0.1
    error: Annotated[
        float,
        Of("", "standard error of a share of three hours, some six openings: half over the root of twelve"),
    ] = 0.14
    errors: Annotated[float, Of("standard errors", "above the usual share, to be more than chance")] = 2.33
    held_ph: Annotated[float, Of("pH", "above the usual of this time of day, and still held")] = 0.03
    lets_go_errors: Annotated[float, Of("standard errors", "above the usual share, until it is no more")] = (
        1.0
    )
    patience_min: Annotated[int, Of("min", "it must have looked so: a door or a lid is no trend")] = 20


CURVE = CurveNumbers()
DUTY = DutyNumbers()
ESTIMATE = EstimateNumbers()
HARDNESS = HardnessNumbers()
OVERDOSE = OverdoseNumbers()
ABSENCE = AbsenceNumbers()
PH_RANGE = RangeNumbers()
