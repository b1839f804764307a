"""Numbers of pH that goes to its limits: by spent hardness, something alkaline, a current or anything."""

from __future__ import annotations

from typing import Annotated

from rushlight.analysis.estimators.units import HOUR_MS
from rushlight.analysis.numbers import Numbers, Of

__all__ = ["ALKALINE", "FAST_ACID", "PH_CLIMB", "PH_PACE", "SINKING", "STEPPED"]


class SinkingNumbers(Numbers, frozen=True, kw_only=True):
    """A pH that sinks on where gas would have come to its new level."""

    hours_kept: Annotated[int, Of("h", "whose lowest pH is kept: a day and what one look takes")] = 27
    gap_h: Annotated[float, Of("h", "without a look: what came before says nothing any more")] = 3.0
    below_ph: Annotated[float, Of("pH", "below the usual lowest, it departs")] = 0.05
    over_h: Annotated[float, Of("h", "without such a pH, it is over: a day and a little")] = 26.0
    stepped_ph: Annotated[float, Of("pH", "by steps: while they fade into the curve, it says nothing")] = 0.1
    age_h: Annotated[float, Of("h", "it must have departed for: gas is near its new level by then")] = 12.0
    recent_h: Annotated[float, Of("h", "of those, in which it must have sunk on")] = 8.0
    gas_chance: Annotated[
        float, Of("", "that gas at a new level makes it sink so far: less, and hardness is considered")
    ] = 0.16
    late_times: Annotated[
        float, Of("", "of what it had sunk before, in those last hours: more, and gas has come only now")
    ] = 1.5
    ahead_h: Annotated[float, Of("h", "to the limit at its pace: a day is left to act")] = 24.0
    part_h: Annotated[int, Of("h", "a part of a fall that quickens")] = 3
    parts: Annotated[int, Of("", "parts that are compared")] = 3
    least_ph: Annotated[float, Of("pH", "it falls by in each part")] = 0.03
    total_ph: Annotated[float, Of("pH", "and in all parts together")] = 0.15
    odd_ph: Annotated[float, Of("pH", "below the usual of this time of day, while it quickens")] = 0.15
    parts_ahead: Annotated[float, Of("parts", "to the limit at the last part's pace: six hours")] = 2.0


class AlkalineNumbers(Numbers, frozen=True, kw_only=True):
    """Whether a rise is gas that leaves."""

    loss_log: Annotated[
        float, Of("ln 1/h", "standard error of the tank's usual loss: a lid off, a filter that splashes")
    ] = 0.4
    gone_odds: Annotated[
        float, Of("", "gas that is gone to something alkaline: an empty cylinder is the commoner")
    ] = 2.0
    probability: Annotated[
        float, Of("", "that something alkaline lifts it: then it is likelier than not")
    ] = 0.5
    odd_ph: Annotated[
        float, Of("pH", "above the usual of this hour, where gas is given: it need not be past all days")
    ] = 0.5
    surest: Annotated[float, Of("", "probability that is said at the most: no model is surer")] = 0.99


class SteppedNumbers(Numbers, frozen=True, kw_only=True):
    """A pH that is past its limit by a step alone."""

    patience_ms: Annotated[
        int, Of("ms", "with a step that came with no lamp: a heater's cycle is over by then")
    ] = 3 * HOUR_MS
    far_ph: Annotated[
        float, Of("pH", "past a limit: told all the same, no current shifts it so far as often as acid does")
    ] = 1.0
    goes_on_ph_per_h: Annotated[float, Of("pH/h", "it goes on so fast: water, a step is over at once")] = 0.15


class FastAcidNumbers(Numbers, frozen=True, kw_only=True):
    """Acid or soft water, where no gas is given."""

    ahead_h: Annotated[
        float, Of("h", "to the limit at its pace: water has to be made ready and changed by then")
    ] = 3.0


class LimitNumbers(Numbers, frozen=True, kw_only=True):
    """A pH that goes to its limit over hours, whatever makes it go."""

    pace_min: Annotated[int, Of("min", "its pace is one over so long")] = 120
    near_ph: Annotated[float, Of("pH", "from the limit: farther off, no pace of hours is looked at")] = 0.4
    slows_share: Annotated[
        float, Of("", "of that pace, less the noise, in the last half-hour: slower, it is over")
    ] = 0.3
    gas_h: Annotated[
        float, Of("h", "too much gas explains a low pH: cut off when it is told, most has left by then")
    ] = 3.0
    rests_ph: Annotated[float, Of("pH", "a pH that moves by less in that time is at rest")] = 0.04


class ClimbNumbers(Numbers, frozen=True, kw_only=True):
    """A pH that climbs within minutes, so that it looks like a step."""

    since_ph: Annotated[float, Of("pH", "above the last five minutes': less is no climb of minutes")] = 0.05
    past_ph: Annotated[float, Of("pH", "past the limit: an electrode's error, and what its noise makes")] = (
        0.1
    )


SINKING = SinkingNumbers()
ALKALINE = AlkalineNumbers()
STEPPED = SteppedNumbers()
FAST_ACID = FastAcidNumbers()
PH_PACE = LimitNumbers()
PH_CLIMB = ClimbNumbers()
