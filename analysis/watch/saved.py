"""Names under which the store keeps what the analysis remembers."""

from __future__ import annotations

__all__ = ["ANALYSIS_STATE", "DEVICE_META", "FAILED_META"]

ANALYSIS_STATE = "analysis"
"""Kind of the snapshots in the store, one a tank."""
FAILED_META = "analysis-failed/"
"""Before a tank's name: the detector that failed there last and when, as "lamp 1772330400000"."""
DEVICE_META = "device/"
"""Before a tank's name: what its device last said of itself, as "online 1772330400000"."""
