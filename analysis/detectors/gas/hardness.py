"""Carbonate hardness as a state that moves, with the electrode's offset and the CO2 of the tank's rest.

A hardness test is true of its day. From then on the error grows; new water pulls KH towards the tap's, active
soil takes it up. What a tank shows each day before its gas comes on says how far KH and the electrode have
moved together: at rest water holds the little CO2 that air and breathing leave in it.

A Kalman filter (Kalman 1960, J. Basic Eng. 82:35) of three logarithms: KH, the electrode's offset times
ln 10, and the CO2 at rest. KH alone can't be told from the offset by pH; a test tells them apart.
"""

from __future__ import annotations

import math

import msgspec

from rushlight.analysis.detectors.gas.numbers import HARDNESS
from rushlight.analysis.estimators.units import DAY_MS, MINUTE_MS
from rushlight.analysis.physics.carbon_dioxide import Gas
from rushlight.analysis.physics.numbers import ELECTRODE, WATER
from rushlight.analysis.physics.water import carbon_dioxide_mg_l
from rushlight.collector.settings import WaterSettings

__all__ = ["HardnessState", "kh_is_the_taps"]

_KH, _OFFSET, _REST = 0, 1, 2
_SIZE = len((_KH, _OFFSET, _REST))
_LN10 = math.log(10)


def kh_is_the_taps(water: WaterSettings) -> bool:
    """Whether the KH of the settings can't be the tank's: active soil, and it is that of the tap."""
    kh, tap = water.carbonate_hardness_dkh, water.tap_hardness_dkh
    return water.active_soil and kh is not None and tap is not None and abs(kh - tap) <= WATER.kh_error_dkh


class HardnessState(msgspec.Struct, dict=True):
    """Means and covariances (natural logarithms) of KH in dKH, offset times ln 10, CO2 at rest in mg/L.

    Beside the saved fields it keeps the settings' `water` that it follows, and the `ln_factors` at its KH.

    Attributes
    ----------
    mark : str
        The settings that it began with; with others it begins anew.
    at_ms : int
        How far it has been moved on (ms UTC).
    tap : float
        KH of new water, dKH; negative where that is not known.
    soil : bool
        Active soil takes up hardness.
    ph_error : float
        Standard error of the pH that the offset began with.
    first : bool
        The tank is in its first month: KH moves faster.
    general, conductivity : float or None
        GH (dGH) and conductivity (µS/cm) of the settings: for the ionic strength.
    """

    mark: str = ""
    at_ms: int = -1
    tap: float = -1.0
    soil: bool = False
    ph_error: float = 0.0
    first: bool = False
    general: float | None = None
    conductivity: float | None = None
    mean: list[float] = msgspec.field(default_factory=list)
    cov: list[list[float]] = msgspec.field(default_factory=list)

    @property
    def known(self) -> bool:
        """Whether anything says how hard the water is."""
        return bool(self.mean)

    @property
    def kh(self) -> float:
        """The likeliest KH, dKH."""
        return math.exp(self.mean[_KH])

    @property
    def kh_error(self) -> float:
        """Standard error of ln KH."""
        return math.sqrt(self.cov[_KH][_KH])

    def follow(self, water: WaterSettings, ph_error: float, now_ms: int, first: bool = False) -> bool:
        """Move on to `now_ms` (ms UTC), or begin with the settings; True where it began.

        `ph_error`: pH; `first`: in the tank's first month.
        """
        self.first = first
        due = now_ms - self.at_ms >= HARDNESS.moves_every_min * MINUTE_MS
        if self.__dict__.get("water") is water and self.mark and ph_error == self.ph_error:
            if due:
                self._move(now_ms)
            return False
        self.__dict__.clear()
        self.__dict__["water"] = water
        mark = f"{water.carbonate_hardness_dkh} {water.tap_hardness_dkh} {water.active_soil}"
        self.general, self.conductivity = water.general_hardness_dgh, water.conductivity_us_cm
        if mark == self.mark and ph_error >= self.ph_error:
            if due:
                self._move(now_ms)
            if self.known:  # a calibration that has grown old
                self.cov[_OFFSET][_OFFSET] += _LN10**2 * (ph_error**2 - self.ph_error**2)
            self.ph_error = ph_error
            return False
        self.mark, self.at_ms, self.soil, self.ph_error = mark, now_ms, water.active_soil, ph_error
        self.tap = -1.0 if water.tap_hardness_dkh is None else water.tap_hardness_dkh
        self._begin(water, ph_error)
        return True

    def _begin(self, water: WaterSettings, ph_error: float) -> None:
        kh = water.carbonate_hardness_dkh
        if kh is None and not (water.active_soil and self.tap > HARDNESS.soil_least_dkh):
            self.mean, self.cov = [], []
            return
        if kh is None or kh_is_the_taps(water):
            # anywhere from spent water to the tap's: a log-uniform distribution
            low, high = math.log(HARDNESS.soil_least_dkh), math.log(max(kh or 0.0, self.tap))
            ln_kh, error = (low + high) / 2, abs(high - low) / math.sqrt(HARDNESS.uniform)
        else:
            ln_kh, error = math.log(kh), WATER.kh_error_dkh / max(kh, WATER.least_kh_dkh)
        self.mean = [ln_kh, 0.0, math.log(HARDNESS.rest_mg_l)]
        errors = (error, _LN10 * ph_error, HARDNESS.rest_log)
        self.cov = [[errors[i] ** 2 if i == j else 0.0 for j in range(_SIZE)] for i in range(_SIZE)]

    def _move(self, now_ms: int) -> None:
        """The longer since, the less is known."""
        days = (now_ms - self.at_ms) / DAY_MS
        if days <= 0:
            return  # a clock that was put back
        self.at_ms = now_ms
        # what a clock that leapt ahead adds to the errors would hold an overdose back after it is put right
        days = min(days, HARDNESS.leap_days)
        if self.known:
            for place, a_day in enumerate(self._wander()):
                if self.cov[place][place] < HARDNESS.most_log**2:
                    self.cov[place][place] += a_day * a_day * days

    def _wander(self) -> tuple[float, float, float]:
        """By how much each moves in a day, a standard deviation that grows with the root of time."""
        creep = _LN10 * ELECTRODE.creep_ph / math.sqrt(ELECTRODE.keeps_days)
        kh = (HARDNESS.soil_log if self.soil else HARDNESS.steady_log) * (
            HARDNESS.first_times if self.first else 1.0
        )
        return kh, creep, HARDNESS.rest_moves_log

    def hardness_tested(self, kh: float, at_ms: int) -> None:
        """A drop test of the tank's water: `kh` in dKH, taken at `at_ms` (ms UTC). An older one says less."""
        error = WATER.kh_error_dkh / max(kh, WATER.least_kh_dkh)
        value = math.log(max(kh, HARDNESS.least_dkh))
        if not self.known:
            self.mean = [value, 0.0, math.log(HARDNESS.rest_mg_l)]
            errors = (HARDNESS.most_log, _LN10 * ELECTRODE.calibrated_ph, HARDNESS.rest_log)
            self.cov = [[errors[i] ** 2 if i == j else 0.0 for j in range(_SIZE)] for i in range(_SIZE)]
        self._move(at_ms)
        since = max(0.0, (self.at_ms - at_ms) / DAY_MS)
        variance = error * error + self._wander()[_KH] ** 2 * since
        gap = value - self.mean[_KH]
        if gap * gap > HARDNESS.told_sds**2 * (self.cov[_KH][_KH] + variance):
            # the water is not what it was taken for: the test is the newer word
            for place in range(_SIZE):
                self.cov[_KH][place] = self.cov[place][_KH] = 0.0
            self.cov[_KH][_KH] = HARDNESS.most_log**2
        self._learn((1.0, 0.0, 0.0), value, variance)

    def calibrated(self, at_ms: int) -> None:
        """The electrode was calibrated at `at_ms` (ms UTC): its offset is a fresh one's from then on."""
        self.ph_error = ELECTRODE.calibrated_ph
        if not self.known:
            return
        self._move(at_ms)
        since = max(0.0, (self.at_ms - at_ms) / DAY_MS)
        self.mean[_OFFSET] = 0.0
        for place in range(_SIZE):
            self.cov[_OFFSET][place] = self.cov[place][_OFFSET] = 0.0
        moved = self._wander()[_OFFSET]
        self.cov[_OFFSET][_OFFSET] = (_LN10 * self.ph_error) ** 2 + moved * moved * since

    def water_changed(self, share: float, at_ms: int) -> None:
        """New water, `share` (0 to 1) of all at `at_ms` (ms UTC): KH steps towards the tap's."""
        self._move(at_ms)
        if not self.known or share <= 0:
            return
        share = min(share, 1.0)
        kh = self.kh
        tap, tap_error = (self.tap, WATER.kh_error_dkh) if self.tap >= 0 else (kh, HARDNESS.tap_share * kh)
        mixed = max((1 - share) * kh + share * tap, HARDNESS.least_dkh)
        slope = (1 - share) * kh / mixed  # of ln KH after by ln KH before
        self.mean[_KH] = math.log(mixed)
        for place in range(_SIZE):
            self.cov[_KH][place] *= slope
            self.cov[place][_KH] *= slope
        self.cov[_KH][_KH] += (share * tap_error / mixed) ** 2

    def rested(self, ph: float, celsius: float) -> None:
        """The pH before the gas comes on, flat: what it reads says where KH and electrode are together."""
        if self.known:
            value = _LN10 * (ph - HARDNESS.reference_ph) - self._ln_factor(celsius)
            self._learn((-1.0, -1.0, 1.0), -value, HARDNESS.rest_scatter_log**2)

    def rebased(self, ph: float) -> None:
        """The electrode was set right: the same water reads `ph` more from now on."""
        if self.known:
            self.mean[_OFFSET] += _LN10 * ph

    def gas(self, ph: float, celsius: float) -> Gas:
        """CO2 at a pH as read."""
        cov = self.cov
        variance = cov[_KH][_KH] + cov[_OFFSET][_OFFSET] + 2 * cov[_KH][_OFFSET]
        ln_gas = (
            self.mean[_KH]
            + self.mean[_OFFSET]
            + self._ln_factor(celsius)
            - _LN10 * (ph - HARDNESS.reference_ph)
        )
        return Gas(math.exp(ln_gas), math.sqrt(max(variance, HARDNESS.least_log**2)))

    def _ln_factor(self, celsius: float) -> float:
        """ln of mg/L of CO2 a dKH at the reference pH: below pH 8 CO2 goes as 10^-pH from it.

        Worked out at whole degrees; between them it is straight, to two ten-thousandths.
        """
        kept, ln_kh = self.__dict__, self.mean[_KH]
        if kept.get("ln_kh") != ln_kh:
            kept["ln_kh"], kept["ln_factors"] = ln_kh, {}
        factors: dict[int, float] = kept["ln_factors"]
        whole = math.floor(celsius)
        low = factors.get(whole) or factors.setdefault(whole, self._ln_factor_at(whole))
        high = factors.get(whole + 1) or factors.setdefault(whole + 1, self._ln_factor_at(whole + 1))
        return low + (celsius - whole) * (high - low)

    def _ln_factor_at(self, celsius: float) -> float:
        kh = min(max(self.kh, HARDNESS.least_dkh), HARDNESS.most_dkh)
        mg_l = carbon_dioxide_mg_l(
            HARDNESS.reference_ph,
            kh,
            celsius,
            general_hardness_dgh=self.general,
            conductivity_us_cm=self.conductivity,
        )
        return math.log(mg_l / kh)

    def _learn(self, by: tuple[float, float, float], value: float, variance: float) -> None:
        """One observation: `by` times the state is `value`, but for an error of that variance."""
        cov, mean = self.cov, self.mean
        seen = [sum(cov[i][j] * by[j] for j in range(_SIZE)) for i in range(_SIZE)]
        total = sum(by[i] * seen[i] for i in range(_SIZE)) + variance
        off = value - sum(by[i] * mean[i] for i in range(_SIZE))
        for i in range(_SIZE):
            mean[i] += seen[i] / total * off
        self.cov = [[cov[i][j] - seen[i] * seen[j] / total for j in range(_SIZE)] for i in range(_SIZE)]
