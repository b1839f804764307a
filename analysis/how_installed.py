"""How to call Rushlight and how to add an optional package, for the way in which it was installed.

Where Python's own packages are managed by the system, pip refuses to touch them (PEP 668: a file
EXTERNALLY-MANAGED beside the standard library); pipx keeps each program in a venv of its own with
`pipx_metadata.json` in it.
"""

from __future__ import annotations

import shutil
import sys
import sysconfig
from pathlib import Path

__all__ = ["how_to_add", "how_to_call"]

_APT = {"matplotlib": "python3-matplotlib", "pyarrow": "", "pandas": "python3-pandas"}


def how_to_add(*packages: str, prefix: str | None = None, stdlib: str | None = None) -> str:
    """The command that adds packages, as a person types it.

    Parameters
    ----------
    packages : str
        Names on the package index.
    prefix, stdlib : str, optional
        In place of `sys.prefix` and the folder of the standard library, for tests.
    """
    here = Path(sys.prefix if prefix is None else prefix)
    names = " ".join(packages)
    if (here / "pipx_metadata.json").exists():
        return f"pipx inject rushlight {names}"
    if (here / "pyvenv.cfg").exists():
        return f"{here / 'bin' / 'pip'} install {names}"
    library = Path(sysconfig.get_path("stdlib") if stdlib is None else stdlib)
    if (library / "EXTERNALLY-MANAGED").exists():
        known = [_APT.get(package, "") for package in packages]
        if all(known):
            return f"sudo apt-get install {' '.join(known)}"
        return f"put Rushlight into a venv (README, 'Two commands'), then .venv/bin/pip install {names}"
    return f"python3 -m pip install {names}"


def how_to_call(anywhere: bool = False, program: str | None = None) -> str:
    """The command as it can be typed here: a venv that isn't active is not on the path.

    Parameters
    ----------
    anywhere : bool
        From another folder or behind `sudo`, whose path is another: the whole path.
    program : str, optional
        In place of `sys.argv[0]`, for tests.
    """
    called = Path(sys.argv[0] if program is None else program)
    if called.name != "rushlight":
        return "rushlight"
    if anywhere:
        return str(called.resolve())
    found = shutil.which("rushlight")
    return "rushlight" if found and Path(found).resolve() == called.resolve() else str(called)
