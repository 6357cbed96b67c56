"""The command line: thin. Each command loads the settings, calls one part, and tells how it went.

Exit codes: 0 done; 1 it could not be done, with the reason in one line; 2 wrong usage or settings;
130 interrupted.
"""

from __future__ import annotations

import importlib.metadata
import signal
import sys
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import msgspec
import typer

from dewline import fleet, logs, maintenance, settings
from dewline.console import Terminal, counted, log_to_stderr
from dewline.settings import Loaded, SettingsError
from ingest.maintenance import MaintenanceError, Work

app = typer.Typer(
    name="dewline",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Early warning for truck-mounted screw compressors that are run short and cool.",
)
units_app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, help="The register of units.")
app.add_typer(units_app, name="units")
maintenance_app = typer.Typer(
    no_args_is_help=True, rich_markup_mode=None, help="Drains and oil changes, as they were done."
)
app.add_typer(maintenance_app, name="maintenance")

HomeOption = Annotated[
    Path | None,
    typer.Option(
        "--home",
        help="Folder of settings, databases, models and outbox; else DEWLINE_HOME, else the platform's own.",
        show_default=False,
    ),
]
UnitArgument = Annotated[str, typer.Argument(metavar="UNIT", help="The unit's id.")]


@dataclass(frozen=True, kw_only=True)
class Given:
    """What stands before the command."""

    home: Path | None
    terminal: Terminal


@app.callback()
def common(
    context: typer.Context,
    home: HomeOption = None,
    quiet: Annotated[bool, typer.Option("--quiet", "-q", help="Only results and trouble.")] = False,
) -> None:
    """Options of every command, also understood after it."""
    context.obj = Given(home=home, terminal=Terminal(quiet=quiet))


def _load(context: typer.Context, home: Path | None, flags: dict[str, Any] | None = None) -> Loaded:
    return settings.load(settings.resolve_home(home or context.obj.home), flags)


@app.command()
def serve(
    context: typer.Context,
    home: HomeOption = None,
    broker: Annotated[
        str | None, typer.Option(help="Address of your own broker, as HOST or HOST:PORT.", show_default=False)
    ] = None,
    board_port: Annotated[int | None, typer.Option(help="Port of the board.", show_default=False)] = None,
) -> None:
    """Run broker, listener, store, analysis, alarms with e-mail, and the board, until stopped."""
    from dewline.runtime import Runtime

    loaded = _load(context, home, _broker_flags(broker) | {"board.port": board_port})
    terminal: Terminal = context.obj.terminal
    log_to_stderr(quiet=terminal.quiet)
    stop = stop_on_signals()
    with Runtime(loaded) as runtime:
        terminal.say(f"Board at {runtime.board.url}; trucks publish to {runtime.broker_address}.")
        if not loaded.settings.broker.host:
            terminal.say(
                "Dewline's own broker runs here: it acknowledges a message before it is stored and keeps "
                "nothing when it ends. For a fleet, run a broker of its own and set broker.host."
            )
        runtime.wait(stop)


@app.command()
def demo(
    context: typer.Context,
    home: HomeOption = None,
    fresh: Annotated[bool, typer.Option("--fresh", help="Forget an earlier demo in that home.")] = False,
    days: Annotated[int, typer.Option(min=2, max=400, help="Days of history.")] = 45,
    seed: Annotated[int, typer.Option(help="Another seed, another history.")] = 7,
    board_port: Annotated[int | None, typer.Option(help="Port of the board.", show_default=False)] = None,
    broker_port: Annotated[int | None, typer.Option(help="Port of the broker.", show_default=False)] = None,
) -> None:
    """Simulate an invented fleet of 12 trucks with history, then let them publish in real time."""
    from dewline import demo as demonstration

    terminal: Terminal = context.obj.terminal
    log_to_stderr(quiet=True)
    with demonstration.demo_home(settings.named_home(home or context.obj.home), fresh=fresh) as place:
        loaded = settings.load(
            place, {"board.port": board_port, "broker.port": broker_port, "broker.host": ""}
        )
        demonstration.run(loaded, terminal, stop_on_signals(), days=days, seed=seed)


@app.command("import")
def import_(
    context: typer.Context,
    paths: Annotated[
        list[Path], typer.Argument(help="CSV or JSON-line log files, gzipped or not, or folders of them.")
    ],
    home: HomeOption = None,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Read and check everything, store nothing.")
    ] = False,
) -> None:
    """Import log files of trucks. Importing a file again changes nothing."""
    logs.import_logs(_load(context, home), paths, context.obj.terminal, dry_run=dry_run)


@app.command()
def replay(
    context: typer.Context,
    out: Annotated[Path, typer.Option("--out", help="Folder for findings.json, runs.json and water.json.")],
    unit_ids: Annotated[
        list[str] | None, typer.Argument(metavar="[UNIT]...", help="Units to replay.", show_default=False)
    ] = None,
    home: HomeOption = None,
    all_units: Annotated[bool, typer.Option("--all", help="Every unit in the store.")] = False,
    start: Annotated[
        str | None, typer.Option("--from", help="First instant, RFC 3339, or date.", show_default=False)
    ] = None,
    end: Annotated[
        str | None, typer.Option("--to", help="Instant after the last, or date.", show_default=False)
    ] = None,
) -> None:
    """Run the engine over stored history: what live operation would have found, and when."""
    from dewline import replay as replaying

    if bool(unit_ids) == all_units:
        raise typer.BadParameter("name units, or say --all")
    span = replaying.Span.of(start, end)
    replaying.replay(_load(context, home), unit_ids or None, span, out, context.obj.terminal)


@app.command()
def train(
    context: typer.Context,
    home: HomeOption = None,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", help="Folder for the models; by default models/ in the home.", show_default=False
        ),
    ] = None,
    seed: Annotated[int | None, typer.Option(help="Random seed of the fleet.", show_default=False)] = None,
    n_units: Annotated[
        int | None, typer.Option("--units", min=20, help="Simulated units.", show_default=False)
    ] = None,
) -> None:
    """Train the models of the patterns anew on a simulated fleet."""
    from dewline import train as training

    training.train(_load(context, home), out, seed, n_units, context.obj.terminal)


@app.command()
def evaluate(
    context: typer.Context,
    out: Annotated[
        Path, typer.Option("--out", help="The model card; its figures are written beside it as .json.")
    ] = Path("docs/model-card.md"),
    models: Annotated[
        Path | None,
        typer.Option(
            help="Folder of the models to examine; by default those that come with the program.",
            show_default=False,
        ),
    ] = None,
    n_units: Annotated[
        int | None, typer.Option("--units", min=5, help="Simulated units of each fleet.", show_default=False)
    ] = None,
    days: Annotated[
        int | None, typer.Option(min=7, help="Length of each history in days.", show_default=False)
    ] = None,
    seed: Annotated[int | None, typer.Option(help="Random seed of the fleets.", show_default=False)] = None,
    workers: Annotated[int, typer.Option(min=1, help="Processes to simulate with.")] = 2,
) -> None:
    """Examine the models on simulated units of kinds they have not seen, and write the model card."""
    from dewline import evaluate as evaluation

    evaluation.evaluate(out, models, n_units, days, seed, workers, context.obj.terminal)


@app.command("settings")
def settings_(
    context: typer.Context,
    home: HomeOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="As JSON.")] = False,
) -> None:
    """Print every setting that holds now and where it came from; secrets are masked."""
    loaded = _load(context, home)
    rows = list(loaded.effective())
    if as_json:
        listed = [{"key": row.key, "value": row.value, "origin": row.origin} for row in rows]
        context.obj.terminal.result(msgspec.json.format(msgspec.json.encode(listed, enc_hook=str)).decode())
        return
    context.obj.terminal.say(f"home {loaded.home}")
    context.obj.terminal.table(
        ("setting", "value", "from"), [(row.key, _shown(row.value), row.origin) for row in rows]
    )


@app.command("hash-password")
def hash_password(
    context: typer.Context,
    password: Annotated[
        str, typer.Option(prompt=True, hide_input=True, confirmation_prompt=True, envvar=[], hidden=True)
    ],
) -> None:
    """Hash a password for the setting board.logins; asks for it."""
    from dashboards.access import hash_password as hashed

    try:
        context.obj.terminal.result(hashed(password))
    except ValueError as error:
        raise typer.BadParameter(str(error)) from error


@app.command()
def screenshots(
    context: typer.Context,
    home: HomeOption = None,
    out: Annotated[Path, typer.Option("--out", help="Folder for the pictures.")] = Path("screenshots"),
    url: Annotated[
        str | None,
        typer.Option(help="A board that runs already; else a demo is run for it.", show_default=False),
    ] = None,
) -> None:
    """Take pictures of every page of the board with Chromium, in both themes and at phone width."""
    from dewline import pictures

    terminal: Terminal = context.obj.terminal
    log_to_stderr(quiet=True)
    taken = pictures.take(out, terminal, url=url, home=settings.named_home(home or context.obj.home))
    terminal.say(f"{counted(len(taken), 'picture')} in {out}")


@app.command()
def version(context: typer.Context) -> None:
    """Print the version."""
    context.obj.terminal.result(importlib.metadata.version("dewline"))


@units_app.command("list")
def units_list(context: typer.Context, home: HomeOption = None) -> None:
    """List every unit."""
    fleet.list_units(_load(context, home), context.obj.terminal)


@units_app.command("show")
def units_show(context: typer.Context, unit_id: UnitArgument, home: HomeOption = None) -> None:
    """Show one unit's profile as JSON."""
    fleet.show_unit(_load(context, home), unit_id, context.obj.terminal)


@units_app.command("import")
def units_import(
    context: typer.Context,
    path: Annotated[
        Path, typer.Argument(help="CSV file, one line a unit; see docs/fleet-file.md for its columns.")
    ],
    home: HomeOption = None,
) -> None:
    """Register the units of a CSV file; all or, if anything is wrong with it, none."""
    fleet.import_units(_load(context, home), path, context.obj.terminal)


@units_app.command("set")
def units_set(
    context: typer.Context,
    unit_id: UnitArgument,
    values: Annotated[
        list[str], typer.Argument(metavar="COLUMN=VALUE...", help="Columns as in a fleet file.")
    ],
    home: HomeOption = None,
) -> None:
    """Set columns of one unit's profile; registers a unit that is not known yet."""
    fleet.set_unit(_load(context, home), unit_id, values, context.obj.terminal)


@maintenance_app.command("add")
def maintenance_add(
    context: typer.Context,
    unit_id: UnitArgument,
    work: Annotated[Work, typer.Argument(help="What was done.")],
    home: HomeOption = None,
    at: Annotated[
        str | None,
        typer.Option(
            "--at", help="When, RFC 3339; without a zone it is UTC. By default now.", show_default=False
        ),
    ] = None,
) -> None:
    """Record a drain or an oil change: the unit's water is counted anew from that instant."""
    maintenance.record(_load(context, home), unit_id, work, at, context.obj.terminal)


@maintenance_app.command("list")
def maintenance_list(context: typer.Context, unit_id: UnitArgument, home: HomeOption = None) -> None:
    """List what was recorded of a unit, with the numbers to undo it by."""
    maintenance.list_services(_load(context, home), unit_id, context.obj.terminal)


@maintenance_app.command("undo")
def maintenance_undo(
    context: typer.Context,
    number: Annotated[int, typer.Argument(metavar="NUMBER", help="Number of the record, as listed.")],
    home: HomeOption = None,
) -> None:
    """Take a record back that was wrong; it stays listed as taken back."""
    maintenance.take_back(_load(context, home), number, context.obj.terminal)


def stop_on_signals() -> threading.Event:
    """An event that SIGINT and SIGTERM set. The second of them ends the process the hard way."""
    stop = threading.Event()

    def ask(number: int, _frame: object) -> None:
        stop.set()
        signal.signal(number, signal.SIG_DFL)

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, ask)
    return stop


def _broker_flags(address: str | None) -> dict[str, Any]:
    if address is None:
        return {}
    host, _, port = address.rpartition(":") if address.count(":") == 1 else (address, "", "")
    return {"broker.host": host, "broker.port": port or None}


def _shown(value: object) -> str:
    return "" if value is None else str(value)


def main() -> None:
    """Entry point: turns what can go wrong into one line and an exit code."""
    terminal = Terminal()
    try:
        app()
    except SettingsError as error:
        for fault in error.faults:
            terminal.complain(fault)
        sys.exit(2)
    except Exception as error:
        if not isinstance(error, _user_faults()):
            raise
        for line in getattr(error, "faults", None) or [str(error)]:
            terminal.complain(line)
        sys.exit(1)
    except KeyboardInterrupt:
        sys.exit(130)


def _user_faults() -> tuple[type[Exception], ...]:
    """What a user can mend; everything else is a defect and keeps its traceback."""
    from dashboards.access import AccessError
    from dashboards.screenshots import ScreenshotError
    from dewline.fleet import UnknownUnit
    from dewline.replay import SpanError
    from ingest.logfiles import LogFileError
    from ingest.register import FleetFileError
    from models.artefact import ModelFileError
    from models.evaluation import SeedError
    from models.training import NoCaseError

    return (
        OSError,
        AccessError,
        FleetFileError,
        LogFileError,
        MaintenanceError,
        ModelFileError,
        NoCaseError,
        ScreenshotError,
        SeedError,
        SpanError,
        UnknownUnit,
    )
