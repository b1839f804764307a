"""The status page: what `rushlight status` says, in a browser. It only shows: nothing switches."""

from __future__ import annotations

from rushlight.analysis.views.page.server import StatusPage

__all__ = ["StatusPage"]
