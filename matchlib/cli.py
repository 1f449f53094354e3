"""The command line: thin, every heavy import inside its command."""

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from matchlib import __version__
from matchlib.errors import InputError, MatchlibError

_FACILITY = click.argument("facility", type=click.Path(path_type=Path))
_FROM_1 = click.IntRange(min=1)
_OUT = click.option(
    "--out",
    default=Path("reports"),
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Where the reports go; default: reports.",
)
_WORKERS = click.option("--workers", type=_FROM_1, metavar="N", help="Rooms at once; default: usable cores.")
_ON = click.option("--on", default="", metavar="DATE", help="Leave out sessions after this day (YYYY-MM-DD).")


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="matchlib")
def commands() -> None:
    """Tell whether a studio's monitors look like its projection screen, why not, and what to set."""


@commands.command()
@_FACILITY
@click.option("--room", "rooms", multiple=True, metavar="ID", help="Only this room; may be repeated.")
@_OUT
@_ON
@_WORKERS
@click.option(
    "--scheduler",
    default="",
    metavar="ADDRESS",
    help="Work on the workers of this dask.distributed scheduler, who must see the same folders.",
)
@click.option("--again", is_flag=True, help="Make what stands once more, and fail if a byte differs.")
def report(facility: Path, workers: int | None, **asked: Any) -> None:
    """Make the report of every room whose inputs changed."""
    from matchlib.running.batch import Request, run
    from matchlib.running.processes import usable_cores

    if workers and asked["scheduler"]:
        raise click.UsageError(
            "--workers counts processes of this machine; a scheduler has its own: give one of the two"
        )
    bar = _Bar("room")
    request = Request(facility, workers=workers or usable_cores(), **asked)
    try:
        summary = run(request, bar.step, bar.begin)
    finally:
        bar.close()
    for line in summary.notes:
        click.echo(line, err=True)
    for line in summary.errors:
        click.echo(f"error: {line}", err=True)
    for line in summary.lines:
        click.echo(line)
    sys.exit(summary.code)


class _Bar:
    """A progress bar on stderr, only where there is something to make."""

    def __init__(self, unit: str) -> None:
        self._unit = unit
        self._bar: Any = None

    def begin(self, count: int) -> None:
        if count:
            from tqdm import tqdm

            keywords: dict[str, Any] = {"leave": False, "dynamic_ncols": True, "disable": None}
            self._bar = tqdm(total=count, unit=self._unit, file=sys.stderr, **keywords)
            self._bar.refresh()

    def step(self, name: str = "") -> None:
        if self._bar is not None:
            if name:
                self._bar.set_postfix_str(name, refresh=False)
            self._bar.update()

    def close(self) -> None:
        if self._bar is not None:
            self._bar.close()


@commands.command()
@_FACILITY
@_ON
def check(facility: Path, on: str) -> None:
    """Say what is wrong with a facility folder, and which sessions count."""
    from matchlib.running.gate import check as look

    found = look(facility, on)
    for line in found.warnings:
        click.echo(f"warning: {line}", err=True)
    for line in found.errors:
        click.echo(f"error: {line}", err=True)
    for line in (*found.sessions, "", *found.rooms):
        click.echo(line)
    sys.exit(found.code)


@commands.command()
@_FACILITY
@click.argument("projector")
@click.option(
    "--before",
    default="",
    metavar="DATE",
    help="Of the last session with the old lamp: a day, or day and time as YYYY-MM-DDThh:mm.",
)
@click.option("--after", default="", metavar="DATE", help="Of the first session with the new lamp, likewise.")
@_OUT
@_WORKERS
def lamp(workers: int | None, **request: Any) -> None:
    """Say what a lamp change did to PROJECTOR, and whom it touches, without measuring a monitor again.

    The change is found where lamp hours fall, or between the two days given. Other entries with the same unit
    were changed with it.
    """
    from matchlib.running.lamp import Request, run
    from matchlib.running.processes import usable_cores

    bar = _Bar("room")
    try:
        told = run(Request(workers=workers or usable_cores(), **request), bar.step, bar.begin)
    finally:
        bar.close()
    for line in told.warnings:
        click.echo(f"warning: {line}", err=True)
    for line in told.errors:
        click.echo(f"error: {line}", err=True)
    for line in told.lines:
        click.echo(line)
    sys.exit(told.code)


@commands.command()
@_FACILITY
@click.argument("monitor")
@click.option(
    "--level",
    type=click.Choice(["curves", "table"]),
    default="table",
    show_default=True,
    help="curves: curve, 3×3 matrix, curve; table: 33³ nodes, tetrahedral.",
)
@click.option("--preset", metavar="NAME", help="Of the monitor; needed where it has several.")
@_ON
@click.option("--out", required=True, type=click.Path(path_type=Path), metavar="FILE", help="The file to write.")
@click.option("--replace", is_flag=True, help="Write over a file that is there.")
def correction(**request: Any) -> None:
    """Write a monitor's correction as a Common LUT Format file (SMPTE ST 2136-1, read by version 3 too).

    It turns the picture's signal into the signal of the monitor's native panel, so the monitor must be set to
    its native mode. It needs a native session of the monitor.
    """
    from matchlib.running.correction_file import Request, write_correction

    made = write_correction(Request(**request))
    for line in made.warnings:
        click.echo(f"warning: {line}", err=True)
    said = f"mean CIEDE2000 {made.now.mean:.2f} now, {made.expected.mean:.2f} expected"
    click.echo(f"{request['monitor']} · {request['level']}: {said} → {request['out']}")


@commands.command()
@click.option(
    "--set",
    "name",
    type=click.Choice(["session", "short", "standard", "steps", "white"]),
    default="session",
    show_default=True,
    help="session: ramps, greys, mixed colours; short: the least that counts; standard: the 141 of every verdict; "
    "steps: RP 431-2's printed steps; white: for sides and corners.",
)
@click.option(
    "--signal-max", "full", type=click.IntRange(min=15), default=1023, show_default=True, help="Code of full signal."
)
@click.option("--out", required=True, type=click.Path(path_type=Path), metavar="FILE", help="The file to write.")
@click.option("--replace", is_flag=True, help="Write over a file that is there.")
def patches(name: str, full: int, out: Path, replace: bool) -> None:
    """Write a list of patches to measure: a session file that only lacks its readings."""
    from matchlib.running.patch_file import write_patches

    count = write_patches(name, full, out, replace=replace)
    click.echo(f"{count} patches → {out}")


@commands.command()
@_FACILITY
@click.option("--on", default="", metavar="DATE", help="Day of the round (YYYY-MM-DD); default: today.")
@_OUT
@click.option(
    "--next",
    "next_days",
    default=90,
    show_default=True,
    type=click.IntRange(min=1),
    metavar="DAYS",
    help="Days until the next round.",
)
@click.option(
    "--overdue-days",
    default=180,
    show_default=True,
    type=click.IntRange(min=1),
    metavar="DAYS",
    help="Days since a monitor was last measured or adjusted.",
)
@click.option(
    "--overdue-hours",
    default=1000.0,
    show_default=True,
    type=click.FloatRange(min=0, min_open=True),
    metavar="HOURS",
    help="Hours of use since then.",
)
@_WORKERS
def worklist(facility: Path, on: str, out: Path, workers: int | None, **rules: Any) -> None:
    """Say which monitors to visit, in which order, why, with what settings: a table and a PDF to print."""
    from matchlib.matching.due import Rules
    from matchlib.reporting.worklist import duration, room_line
    from matchlib.running.processes import usable_cores
    from matchlib.running.worklist import Request, write_worklist

    bar = _Bar("room")
    request = Request(facility, out, on, Rules(**rules), workers or usable_cores())
    try:
        made = write_worklist(request, bar.step, bar.begin)
    finally:
        bar.close()
    for line in made.warnings:
        click.echo(f"warning: {line}", err=True)
    for room in made.worklist.rooms:
        click.echo(room_line(room))
    found = made.worklist
    told = f"{len(found.calls)} of {found.monitors} monitors to visit, {duration(found.minutes)}"
    click.echo(f"{found.on}   {told} → {made.files[-1]}")
    sys.exit(1 if any(room.fault for room in found.rooms) else 0)


@commands.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--rooms", type=_FROM_1, metavar="N", help="Of a large facility; default: 40.")
@click.option("--monitors", type=_FROM_1, metavar="N", help="Of a large facility; default: 300.")
@click.option("--years", type=_FROM_1, metavar="N", help="Of readings in a large facility; default: 3.")
@click.option("--seed", type=click.IntRange(min=0), metavar="N", help="Which large facility; default: 1.")
@click.option("--replace", "replace_files", is_flag=True, help="Write over files that are there.")
def demo(folder: Path, replace_files: bool, **size: int | None) -> None:
    """Write an invented studio into DIR: three rooms, nine monitors, what is wrong with each known.

    With a size or a seed, a large invented facility instead, for tests and benchmarks: its screens read every
    week and its monitors four times a year, all of them ageing.
    """
    given = {name: value for name, value in size.items() if value is not None}
    if given:
        from matchlib.running.demo_large import Size, write_large

        bar = _Bar("file")
        try:
            count = write_large(folder, Size(**given), bar.begin, bar.step, replace_files=replace_files)
        finally:
            bar.close()
        click.echo(f"{count} files of an invented facility → {folder}; next: matchlib check {folder}")
        return
    from matchlib.running.demo import write_demo

    files = write_demo(folder, replace_files=replace_files)
    click.echo(f"{len(files)} files of an invented studio → {folder}; next: matchlib report {folder}")


@commands.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--replace", "replace_files", is_flag=True, help="Write over notebooks that are there.")
def notebooks(folder: Path, replace_files: bool) -> None:
    """Copy the notebooks into DIR, to open in JupyterLab."""
    from matchlib.running.copies import copy_notebooks

    for path in copy_notebooks(folder, replace_files=replace_files):
        click.echo(path)


def main(arguments: list[str] | None = None) -> None:
    """Run the command line; every error in one line or more on stderr, never a traceback."""
    sys.exit(_guarded(lambda: commands.main(args=arguments, prog_name="matchlib", standalone_mode=False)))


def _guarded(call: Callable[[], Any]) -> int:
    """Return the exit code of a call, whatever it raises told in plain lines."""
    code = 0
    try:
        call()
    except SystemExit as error:
        code = error.code if isinstance(error.code, int) else 1
    except (KeyboardInterrupt, click.Abort):
        click.echo("interrupted; what was finished stays", err=True)
        code = 130
    except click.ClickException as error:
        error.show()
        code = error.exit_code
    except InputError as error:
        for problem in error.problems:
            click.echo(f"error: {problem}", err=True)
        code = 2
    except Exception as error:  # noqa: BLE001 (whatever it is, its user gets one line)
        click.echo(f"error: {_one_line(error)}", err=True)
        code = 1
    return code


def _one_line(error: Exception) -> str:
    """Return one line on an error; a fault of our own is kept in a log and named so."""
    if isinstance(error, MatchlibError):
        return str(error)
    if isinstance(error, OSError):
        return f"{error.filename or ''}: {error.strerror or error}; mend that and run again"
    return f"a fault of matchlib itself: {error!r}; please report it with {_keep_log()}"


def _keep_log() -> Path:
    """Keep the traceback of a fault of our own, and return the file."""
    import tempfile
    import traceback

    folder = Path(tempfile.mkdtemp(prefix="matchlib-"))
    log = folder / "log.txt"
    log.write_text(traceback.format_exc(), encoding="utf-8")
    return log


if __name__ == "__main__":
    main()
