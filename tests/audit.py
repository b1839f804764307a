"""Known faults in the locked packages, by pip-audit: `python -m tests.audit`.

The advisories come from the package index's JSON interface (PyPA's advisory database). Not every index serves
it: where it can't be asked, that is said in plain words and the rest of the checks go on.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

LOCK = Path(__file__).parents[1] / "requirements.lock"


class Audit(NamedTuple):
    """What was looked up, what was found, and what could not be looked up."""

    asked: list[str]
    found: list[str]
    skipped: list[str]

    @property
    def status(self) -> int:
        """Exit status: 1 where something was found."""
        return 1 if self.found else 0

    def text(self) -> str:
        """The result in words."""
        lines = [f"pip-audit: {fault}" for fault in self.found]
        if self.skipped:
            few = ", ".join(self.skipped[:5]) + (" …" if len(self.skipped) > 5 else "")
            total = len(self.asked) + len(self.skipped)
            lines.append(
                f"pip-audit: NOT AUDITED: {len(self.skipped)} of {total} packages"
                f" ({few}); the package index here has no advisories for them. Run `python -m tests.audit`"
                " where it can be asked."
            )
        if self.asked:
            lines.append(f"pip-audit: {len(self.asked)} packages looked up, {len(self.found)} known faults")
        return "\n".join(lines)


def read(output: str) -> Audit:
    """The audit in pip-audit's JSON output.

    Raises
    ------
    ValueError
        It is none.
    """
    audit = Audit([], [], [])
    try:
        packages = json.loads(output)["dependencies"]
        if not packages:
            raise ValueError("no package was looked at")
        for package in packages:
            name = package["name"]
            if "skip_reason" in package:
                audit.skipped.append(name)
                continue
            audit.asked.append(name)
            for fault in package["vulns"]:
                fixed = ", ".join(fault["fix_versions"]) or "none yet"
                audit.found.append(f"{name} {package['version']}: {fault['id']}; mended in: {fixed}")
    except (json.JSONDecodeError, KeyError, TypeError) as error:
        raise ValueError(f"no audit: {error!r}") from None
    return audit


def main() -> int:
    command = [sys.executable, "-m", "pip_audit", "-r", str(LOCK), "--disable-pip", "--require-hashes"]
    done = subprocess.run(
        [*command, "--format", "json", "--progress-spinner", "off"], capture_output=True, text=True
    )
    try:
        audit = read(done.stdout)
    except ValueError:
        why = (done.stderr.strip().splitlines() or ["it said nothing"])[-1]
        print(f"pip-audit: NOT AUDITED: its data can't be reached from here, or it failed ({why[:200]})")
        return 0
    print(audit.text())
    return audit.status


if __name__ == "__main__":
    sys.exit(main())
