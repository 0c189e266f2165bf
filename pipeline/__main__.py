"""The commands. Heavy imports wait inside them, so that help and usage errors are instant."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from datetime import date
from pathlib import Path
from shlex import quote
from typing import Annotated, Literal, NoReturn

from cyclopts import App, CycloptsError, Parameter
from cyclopts.validators import Number
from rich.console import Console

from pipeline.faults import NeedsMending

DONE, NEEDS_MENDING, WRONG_USAGE, TOOL_FAULT = 0, 1, 2, 3

DEMO_CASES = 2000
DEMO_SEED = 20260101
# The demo's data are invented: its pseudonym key protects nobody, and a fixed one makes its files repeatable.
DEMO_KEY = b"invented data only"

HELP = """\
Compare starting from above (antegrade) with starting from below (retrograde) for crossing occluded leg arteries, from a
service's own exported case tables.

Begin with `crosswise demo`. For your own export: `crosswise check --tables DIR`, mend what it names, then
`crosswise run --tables DIR --out DIR`.

Observational evidence from one service: it supports discussion and does not direct the treatment of a patient. Not a medical device.

Exit status: 0 done; 1 the data or the plan needs mending; 2 wrong usage; 3 a fault of the tool.
"""


def _version() -> str:
    from importlib.metadata import version

    return version("crosswise")


app = App(
    name="crosswise",
    help=HELP,
    help_flags=["--help", "-h"],
    version_flags=["--version"],
    version=_version,
    suppress_keyboard_interrupt=False,  # told by _status
)

Tables = Annotated[
    Path, Parameter(help="Folder with the exported case tables (CSV, workbook, Parquet, SAS, Stata or SPSS).")
]
Mapping = Annotated[
    Path | None, Parameter(help="Mapping file (TOML) when the export has its own headers, codes, dates or units.")
]
Out = Annotated[Path, Parameter(help="Folder for the outputs; made if absent, private to you.")]
Cases = Annotated[int, Parameter(help="Lesions to invent.", validator=Number(gte=50, lte=5_000_000))]
Seed = Annotated[
    int, Parameter(help="Seed of the invention: the same seed gives the same bytes.", validator=Number(gte=0))
]
EngineName = Annotated[
    Literal["auto", "prefect", "direct"],
    Parameter(
        help="How the steps are run: as a Prefect flow, directly in process, or as a flow when a server is configured (auto)."
    ),
]


@app.command
def demo(
    *, out: Out = Path("demo"), cases: Cases = DEMO_CASES, seed: Seed = DEMO_SEED, engine: EngineName = "direct"
) -> None:
    """Invent a service and run everything on it, end to end.

    Ends with the path of the strategy report. The invented truth is written beside the tables, so that the report can be held against it.
    """
    from pipeline.flow import Request, run
    from synthetic_data.service import invent, write_service

    tell = _teller()
    tell(f"Inventing a service of {cases:,} lesions (seed {seed})")
    out.mkdir(parents=True, exist_ok=True, mode=0o700)
    write_service(invent(cases, seed), out / "tables")
    request = Request(out / "tables", out, invented=True, service="Invented demonstration service", key=DEMO_KEY)
    run(request, engine=engine, tell=tell)
    _say(f"The truth behind the invented tables: {out / 'tables' / 'truth'}")
    _say(str(out / "report" / "strategy.html"))


@app.command
def run(
    *,
    tables: Annotated[
        Path | None, Parameter(help="Folder with the exported case tables; needed unless --as-of is given.")
    ] = None,
    mapping: Mapping = None,
    plan: Annotated[
        Path | None,
        Parameter(help="Analysis plan (TOML); when absent the default plan, with --as-of that of the earlier report."),
    ] = None,
    out: Out,
    as_of: Annotated[
        str | None,
        Parameter(help="Rebuild the report of an earlier delivery, by its number or by a day (YYYY-MM-DD)."),
    ] = None,
    engine: EngineName = "auto",
) -> None:
    """Read, check, derive, compare and report: a service's own export. Or an earlier report again, as of its delivery.

    Ends with the path of the strategy report. If anything goes wrong the last good outputs stay as they were.
    """
    if (tables is None) == (as_of is None):
        raise _WrongUsage("give either --tables, to run an export, or --as-of, to rebuild an earlier report")
    if as_of is not None:
        _rebuild(as_of, mapping, plan, out, engine)
        return
    assert tables is not None  # noqa: S101 - told above
    from pipeline.flow import Request
    from pipeline.flow import run as run_steps

    _must_be_folder(tables)
    work = run_steps(Request(tables, out, mapping, plan), engine=engine, tell=_teller())
    assert work.accepted is not None and work.kept is not None  # noqa: S101 - a finished run has been checked and kept
    set_aside = sum(count.set_aside for count in work.accepted.counts)
    if set_aside:
        _say(f"{set_aside:,} rows set aside, each with its reason: {out / 'results' / 'set_aside.csv'}")
    _say(work.kept.in_words())
    _say(str(out / "report" / "strategy.html"))


def _rebuild(as_of: str, mapping: Path | None, plan: Path | None, out: Path, engine: EngineName) -> None:
    if mapping is not None:
        raise _WrongUsage("--mapping goes with --tables: the rows of an earlier delivery are not read again")
    try:
        when = int(as_of) if as_of.isdecimal() else date.fromisoformat(as_of)
    except ValueError:
        raise _WrongUsage(f"--as-of {as_of}: give the number of a delivery, or a day as YYYY-MM-DD") from None
    from pipeline.as_of import rebuild

    work = rebuild(out, when, plan=plan, engine=engine, tell=_teller())
    _say(str(work.request.out / "report" / "strategy.html"))


@app.command
def check(
    *,
    tables: Tables,
    mapping: Mapping = None,
    out: Annotated[
        Path, Parameter(help="Folder for quality.html, quality.csv and not_used.csv; made if absent, private to you.")
    ] = Path("quality"),
) -> None:
    """Intake only: what would be set aside and why, what is missing, what looks odd, and what to do about it.

    Ends with the path of the page that says so. Rows set aside are no fault of the command: it ends with status 0.
    """
    from pipeline.check import check as check_tables
    from pipeline.identity import load_key
    from pipeline.mapping import load_mapping
    from pipeline.quality.files import PAGE, write_quality
    from pipeline.quality.summary import summarize
    from pipeline.read import take_in
    from reports.quality import quality_page
    from reports.quality_lines import quality_lines

    _must_be_folder(tables)
    tell = _teller()
    tell("Reading the case tables")
    stated, key = load_mapping(mapping), load_key()
    try:
        intake = take_in(tables, stated, key)
    except NeedsMending as fault:
        raise (_with_draft(fault, tables) if mapping is None else fault) from None
    tell("Checking every row")
    accepted = check_tables(intake.tables, received=date.today())
    tell("Looking for what is missing or odd")
    quality = summarize(
        accepted, intake.sources, intake.tables, export=tables.resolve().name, mapping=mapping.name if mapping else ""
    )
    write_quality(out, quality_page(quality.summary), {"quality": quality.table, "not_used": quality.not_used})
    for line in quality_lines(quality.summary):
        _say(line)
    _say(str(out / PAGE))


def _with_draft(fault: NeedsMending, tables: Path) -> NeedsMending:
    """The same, ended by the command that proposes a mapping where tables or columns were not found."""
    if not any("no file holds this table" in line or ": no column " in line for line in fault.lines):
        return fault
    return NeedsMending(
        *fault.lines, f"to have a mapping proposed: crosswise draft-mapping --tables {quote(str(tables))}"
    )


@app.command
def draft_mapping(
    *,
    tables: Tables,
    out: Annotated[
        Path | None,
        Parameter(help="File for the draft, private to you, never written over; the screen when absent."),
    ] = None,
) -> None:
    """Propose a mapping file from an export's files, headers, codes and values, each line with its reason.

    What is not sure is written as a comment that begins with "decide:" and is not used until you decide. Read it line by line,
    mend it, and give it to check or run with --mapping.
    """
    from pipeline.draft import draft_export, in_short, keep, must_be_new, written

    _must_be_folder(tables)
    if out is not None:
        must_be_new(out)
    tell = _teller()
    tell("Looking at headers and values")
    draft = draft_export(tables)
    text = written(draft)
    if out is None:
        # A mapping file is UTF-8 wherever the command is run, also when it is led into a file.
        sys.stdout.buffer.write(text.encode())
        sys.stdout.flush()
    else:
        keep(text, out)
        _say(in_short(draft))
        _say(str(out))


@app.command
def synthesize(*, cases: Cases, seed: Seed, out: Out) -> None:
    """Invent case tables only, with the truth behind them in a folder of its own."""
    from synthetic_data.service import invent, write_service

    _teller()(f"Inventing a service of {cases:,} lesions (seed {seed})")
    write_service(invent(cases, seed), out)
    _say(str(out))


class _WrongUsage(Exception):
    """Options that do not go together, said in one line."""


def _must_be_folder(tables: Path) -> None:
    if not tables.is_dir():
        raise NeedsMending(
            f"{tables}: there is no such folder; give the folder that holds the exported tables to --tables"
        )


def _say(line: str) -> None:
    print(line, flush=True)


def _teller() -> Callable[[str], None]:
    """Progress lines on the error stream, so that standard output holds only what a script would want."""
    console = Console(stderr=True, highlight=False)

    def tell(line: str) -> None:
        console.print(f"{line} ...", style="dim" if console.is_terminal else None)

    return tell


def main() -> NoReturn:
    """Run the command line and leave with the exit status that product users rely on."""
    sys.exit(_status(sys.argv[1:]))


def _status(words: list[str]) -> int:
    errors = Console(stderr=True, highlight=False, soft_wrap=True)
    try:
        if not words:
            app.help_print([])
            return WRONG_USAGE
        app(words, exit_on_error=False, print_error=True, result_action="return_none")
    except CycloptsError:
        return WRONG_USAGE
    except _WrongUsage as fault:
        errors.print(f"crosswise: {fault}", markup=False)
        return WRONG_USAGE
    except NeedsMending as fault:
        for line in fault.lines:
            errors.print(f"crosswise: {line}", markup=False)
        return NEEDS_MENDING
    except KeyboardInterrupt:
        errors.print("crosswise: stopped; the last good outputs are untouched")
        return TOOL_FAULT
    except Exception as fault:
        if os.environ.get("CROSSWISE_TRACE"):
            raise
        # The message of an unforeseen exception may hold a patient's value: only its kind and place are shown.
        errors.print(
            f"crosswise: a fault of the tool ({_place(fault)}); set CROSSWISE_TRACE=1 to see all, outputs are untouched",
            markup=False,
        )
        return TOOL_FAULT
    return DONE


def _place(fault: BaseException) -> str:
    import traceback

    last = traceback.extract_tb(fault.__traceback__)[-1]
    return f"{type(fault).__name__} at {Path(last.filename).name}:{last.lineno}"


if __name__ == "__main__":
    main()
