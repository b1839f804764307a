"""The `rushlight` command. Each command imports what it needs when it runs, so that help comes at once."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

import click

from rushlight.analysis.commands.acknowledge import acknowledge
from rushlight.analysis.commands.away import away
from rushlight.analysis.commands.backup import backup
from rushlight.analysis.commands.bundle import bundle
from rushlight.analysis.commands.calibrate import calibrate
from rushlight.analysis.commands.check import check
from rushlight.analysis.commands.compare import compare
from rushlight.analysis.commands.demo import demo
from rushlight.analysis.commands.explain import explain
from rushlight.analysis.commands.export import export
from rushlight.analysis.commands.hands import hands
from rushlight.analysis.commands.import_ import import_
from rushlight.analysis.commands.init import init
from rushlight.analysis.commands.invite import invite
from rushlight.analysis.commands.listen import listen
from rushlight.analysis.commands.move import move
from rushlight.analysis.commands.note import note
from rushlight.analysis.commands.notice_test import notice_test
from rushlight.analysis.commands.options import say
from rushlight.analysis.commands.out_of_service import out_of_service
from rushlight.analysis.commands.password import password
from rushlight.analysis.commands.reload import reload
from rushlight.analysis.commands.replay import replay
from rushlight.analysis.commands.report import report
from rushlight.analysis.commands.restore import restore
from rushlight.analysis.commands.return_to_service import return_to_service
from rushlight.analysis.commands.run import run
from rushlight.analysis.commands.service import service
from rushlight.analysis.commands.shelve import shelve
from rushlight.analysis.commands.status import status
from rushlight.analysis.commands.try_ import try_
from rushlight.analysis.commands.unshelve import unshelve
from rushlight.analysis.commands.verdict import verdict

__all__ = ["cli", "main"]


def _version(context: click.Context, parameter: click.Parameter, wanted: bool) -> None:
    if wanted:
        from importlib.metadata import PackageNotFoundError, version

        try:
            say(f"rushlight {version('rushlight')}")
        except PackageNotFoundError:
            say("rushlight, not installed: run from its source")
        context.exit()


class _Commands(click.Group):
    """Lists commands by what they are for, each sentence whole: cut off, most of them say nothing."""

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        left = dict(self.commands)
        for heading, names in _SECTIONS.items():
            rows = [(name, left.pop(name).get_short_help_str(1000)) for name in names]
            with formatter.section(heading):
                formatter.write_dl(rows)
        if left:
            with formatter.section("More"):
                formatter.write_dl([(name, one.get_short_help_str(1000)) for name, one in left.items()])


_SECTIONS: dict[str, tuple[str, ...]] = {
    "Begin": ("demo", "init", "check", "listen", "notice-test", "try", "run", "reload", "service"),
    "Look": ("status", "explain", "report"),
    "Answer alarms": ("acknowledge", "shelve", "unshelve", "out-of-service", "return-to-service", "verdict"),
    "Care for a tank": ("note", "hands", "calibrate", "compare", "move", "away"),
    "The page": ("password", "invite"),
    "What is stored": ("backup", "restore", "export", "import", "replay", "bundle"),
}


@click.group(
    cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}
)
@click.option(
    "--version", is_flag=True, expose_value=False, is_eager=True, callback=_version, help="The version."
)
def cli() -> None:
    """Watches small planted freshwater tanks, works out what is wrong, and tells you in time.

    It only watches: nothing here switches a mains device.

    Exit status: 0 done; 1 the work failed; 2 the command line or the settings are wrong.
    """


for _command in (
    check,
    demo,
    notice_test,
    run,
    status,
    compare,
    explain,
    export,
    import_,
    reload,
    replay,
    acknowledge,
    shelve,
    unshelve,
    out_of_service,
    return_to_service,
    try_,
    backup,
    restore,
    service,
    listen,
    note,
    hands,
    verdict,
    password,
    invite,
    calibrate,
    bundle,
    move,
    away,
    report,
    init,
):
    cli.add_command(_command)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; errors become lines on standard error and an exit status."""
    from rushlight.collector.errors import LogError, RushlightError, SettingsError

    try:
        status_ = cli.main(arguments, prog_name="rushlight", standalone_mode=False)
        sys.stdout.flush()
        return int(status_ or 0)
    except click.ClickException as error:
        message = error.format_message().replace("\n", " ")
        command = error.ctx.command_path if isinstance(error, click.UsageError) and error.ctx else "rushlight"
        if isinstance(error, click.exceptions.NoArgsIsHelpError):
            say(error.format_message())
        else:
            say(f"{command}: {message} See '{command} --help'.", err=True)
        return 2
    except (SettingsError, LogError) as error:
        say(str(error), err=True)
        return 2
    except RushlightError as error:
        say(str(error).replace("\n", " "), err=True)
        return 1
    except (click.Abort, KeyboardInterrupt):
        return 130
    except BrokenPipeError:
        # whoever read our output has seen enough; the interpreter must not complain while it ends
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


if __name__ == "__main__":
    sys.exit(main())
