"""`ouzel import`: takes over the table a person kept until now."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from acquire.cli.options import add_usual
from acquire.errors import ConfigError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from acquire.importing.captures import Import, Taking
    from acquire.importing.columns import Header
    from acquire.importing.sheets import Sheet
    from acquire.quantities import Quantity
    from acquire.readings import Capture

__all__ = ["add_to", "run"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "import",
        help="take over the spreadsheet you kept until now (CSV, XLSX)",
        description="Shows first what would be taken; nothing is kept before you agree, or say "
        "--write. A second import of the same rows adds nothing.",
    )
    parser.add_argument("file", metavar="FILE", help="a table with a line of headers")
    parser.add_argument("--sheet", metavar="NAME", help="of a workbook (default: the first)")
    parser.add_argument(
        "--column", action="append", default=[], metavar="HEADER=WHAT",
        help='what a column is: "EC=conductivity:mS/cm", "Day=date", "X=-" leaves it out',
    )  # fmt: skip
    parser.add_argument("--water", default="", metavar="NAME", help="when no column names it")
    parser.add_argument("--meter", default="imported", metavar="NAME", help="what measured it")
    parser.add_argument("--decimal", choices=("point", "comma"), help="before the decimals")
    parser.add_argument("--dates", choices=("dmy", "mdy", "ymd"), help="order of day and month")
    parser.add_argument("--write", action="store_true", help="take it without asking")
    add_usual(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    import sys

    from acquire.cli.options import load_config, store_path
    from acquire.clock import SystemClock
    from acquire.importing.captures import Taking, plan_import
    from acquire.importing.columns import column_said, find_header, with_said
    from acquire.importing.sheets import read_sheet
    from acquire.paths import expand

    config = load_config(args)
    sheet = read_sheet(expand(args.file), sheet=args.sheet)
    said = [column_said(text) for text in args.column]
    header = (
        _header(sheet, said, config.quantities) if said else find_header(sheet, config.quantities)
    )
    header = with_said(header, said, config.quantities)
    taking = Taking(args.water, args.meter, args.decimal, args.dates)
    header, taking = _clear(sheet, header, taking, config.quantities)
    now_ms = SystemClock().now().at_ms
    found = plan_import(sheet, header, taking, config.quantities, now_ms=now_ms)
    store = store_path(args, config)
    known = _kept(store, [one for _, one in found.captures])
    fresh = [one for _, one in found.captures if one.id not in known]
    if not args.json:
        _show(sheet, header, found, len(known), config.quantities)
    write = args.write
    if fresh and not write and not args.json and sys.stdin.isatty():
        write = _ask(f"Take these {len(fresh)} into {store}? (yes / no): ") in {"y", "yes"}
    if write:
        _write(store, fresh, config.quantities)
    if args.json:
        _print_json(sheet, header, found, known, written=write)
    elif write:
        print(f"{len(fresh)} captures taken into {store}, marked imported.")
    elif fresh:
        print("Nothing was kept. `--write` takes them.")
    else:
        print("There is nothing new to take.")
    return 0


def _header(
    sheet: Sheet, said: Sequence[tuple[str, str, str]], quantities: Mapping[str, Quantity]
) -> Header:
    """Find the header also where only the person knows what a column is."""
    from acquire.importing.columns import Column, Header, find_header

    try:
        return find_header(sheet, quantities)
    except ConfigError:
        wanted = {name.casefold() for name, _, _ in said}
        for line, row in sheet.rows[:20]:
            headers = [" ".join(str(cell or "").split()) for cell in row]
            if wanted & {header.casefold() for header in headers}:
                columns = (Column(place, header, "") for place, header in enumerate(headers))
                return Header(line, tuple(columns))
        raise


def _clear(
    sheet: Sheet, header: Header, taking: Taking, quantities: Mapping[str, Quantity]
) -> tuple[Header, Taking]:
    """Ask what is unclear where somebody can answer; ConfigError says the options elsewhere."""
    import sys
    from dataclasses import replace

    from acquire.importing.captures import questions
    from acquire.importing.columns import with_said

    asked = questions(sheet, header, taking)
    if asked and not sys.stdin.isatty():
        raise ConfigError("; ".join(asked), file=sheet.name)
    for column in [c for c in header.columns if c.question]:
        while True:
            unit = _ask(f"{column.question}\n(- leaves the column out): ")
            answer = (column.header, "-", "") if unit == "-" else (column.header, column.what, unit)
            try:
                header = with_said(header, [answer], quantities)
            except ConfigError as error:
                print(error, file=sys.stderr)
                continue
            if unit:
                break
    while "date" not in {c.what for c in header.columns}:
        names = ", ".join(c.header for c in header.columns if c.header)
        try:
            header = with_said(
                header, [(_ask(f"Which column is the date? {names}: "), "date", "")], quantities
            )
        except ConfigError as error:
            print(error, file=sys.stderr)
    while "water" not in {c.what for c in header.columns} and not taking.water:
        taking = replace(taking, water=_ask("Which water is it? Its name: "))
    if any("--decimal" in text for text in questions(sheet, header, taking)):
        is_comma = _ask("Is 1,234 a thousand, and 1.234 one and a bit (yes / no)? ") not in {
            "y",
            "yes",
        }
        taking = replace(taking, decimal="comma" if is_comma else "point")
    for text in [one for one in questions(sheet, header, taking) if "--dates" in one]:
        print(f"{text}.", file=sys.stderr)
        is_day_first = _ask("Is 03/04 the third of April (yes / no)? ") in {"y", "yes"}
        taking = replace(taking, order="dmy" if is_day_first else "mdy")
    left = questions(sheet, header, taking)
    if left:
        raise ConfigError("; ".join(left), file=sheet.name)
    return header, taking


def _ask(prompt: str) -> str:
    from acquire.cli.dialogue import ask

    return ask(prompt, ended="the input ended: nothing was kept").strip()


def _kept(store: Path, captures: Sequence[Capture]) -> set[str]:
    from acquire.store.records import Records

    if not store.exists():
        return set()
    with Records.open(store) as records:
        return {one.id for one in captures if records.capture(one.id) is not None}


def _write(store: Path, captures: Sequence[Capture], quantities: Mapping[str, Quantity]) -> None:
    from acquire.cli.keeping import with_writer
    from acquire.cli.progress import progress
    from acquire.clock import SystemClock
    from acquire.store.records import Records
    from acquire.store.writer import StoreWriter

    known = set()
    if store.exists():
        with Records.open(store) as records:
            known = {series.meter for series in records.series()}

    async def work(writer: StoreWriter) -> None:
        for meter in {one.meter for one in captures} - known:
            units = {name: q.unit for name, q in quantities.items()}
            await writer.describe(meter, driver="import", units=units)
        with progress() as show:
            for number, one in enumerate(captures, start=1):
                await writer.keep(one)
                show(f"{number} of {len(captures)}")

    if captures:
        with_writer(store, SystemClock(), work)


def _show(
    sheet: Sheet, header: Header, found: Import, known: int, quantities: Mapping[str, Quantity]
) -> None:
    from acquire.outlets.import_words import import_lines

    print(*import_lines(sheet, header, found, known, quantities), sep="\n")


def _print_json(
    sheet: Sheet, header: Header, found: Import, known: set[str], *, written: bool
) -> None:
    import json

    from acquire.outlets.as_json import as_json

    said = {
        "is": "import",
        "file": sheet.name,
        "header_line": header.line,
        "columns": [
            {"header": c.header, "is": c.what or None, "unit": c.unit or None}
            for c in header.columns
        ],
        "captures": [
            {"line": line, "is_known": one.id in known, "capture": as_json(one)}
            for line, one in found.captures
        ],
        "not_taken": [{"line": bad.line, "why": bad.why} for bad in found.bad],
        "doubles": [{"line": line, "same_as": first} for line, first in found.doubles],
        "written": written,
    }
    print(json.dumps(said, allow_nan=False, indent=2))
