"""`ouzel capture` where another ouzel owns the port: it takes the capture, this command waits."""

from __future__ import annotations

import argparse
import sys

from acquire.bench.standing import Status
from acquire.cli.run_daemon import wants_live
from acquire.cli.running import Running
from acquire.config import Config
from acquire.errors import MeterLost, NotSettled
from acquire.outlets.as_json import json_line
from acquire.outlets.lines import PlainLines
from acquire.outlets.live import LiveTable
from acquire.outlets.words import CAUTION, capture_lines, finding_lines, tidy
from acquire.readings import Capture, CaptureState, Event

__all__ = ["follow_capture"]


def follow_capture(args: argparse.Namespace, config: Config, found: Running, meter: str) -> int:
    """Name the water to the running ouzel and wait for its next capture of the meter."""
    print(f"ouzel: the ouzel at {found.url} reads {meter}: it takes this capture", file=sys.stderr)
    for option in ("role", "explain"):
        if getattr(args, option):
            how = " (afterwards: `ouzel name`)" if option == "role" else ""
            print(f"ouzel: --{option} is left out{how}", file=sys.stderr)
    if args.water:
        print(f"ouzel: {tidy(found.order('water', meter, args.water))}", file=sys.stderr)
    is_live = wants_live(json=args.json)
    show = (
        LiveTable(config.quantities)
        if is_live
        else PlainLines(config.quantities, every_s=10.0, file=sys.stderr)
    )
    timeout_s = 2 * (args.timeout or config.bench.timeout_s)
    with show as screen:
        record, findings = _wait(found, meter, screen, timeout_s)
    if record is None:
        raise NotSettled("nothing came to rest in the time given")
    record = found.capture(record.id)
    if args.json:
        print(json_line(record))
    elif not is_live:
        told = [line for event in findings for line in finding_lines(event)]
        print(*capture_lines(record, config.quantities), *told, sep="\n")
    if record.state is CaptureState.UNSETTLED:
        raise NotSettled(record.reason)
    if not args.json:
        print(f"Stored as {record.id} by the running ouzel\n{CAUTION}")
    return 0


def _wait(
    found: Running, meter: str, screen: PlainLines | LiveTable, timeout_s: float
) -> tuple[Capture | None, list[Event]]:
    """Give the capture once the probe may be lifted, or as it ended; what was there before is none.

    Findings about it, if it became final meanwhile.
    """
    mine: Capture | None = None
    findings: list[Event] = []
    told_of_old = False
    for said in found.listen(meter, for_s=timeout_s):
        screen.hear(said)
        match said:
            case Capture(state=CaptureState.WITHDRAWN):
                mine = None
            case Capture(state=CaptureState.PROVISIONAL):
                mine = said
            case Capture(state=CaptureState.UNSETTLED):
                return said, findings
            case Capture() if mine is not None and said.id == mine.id:
                return said, findings
            case Event(kind="finding") if mine and said.data.get("capture") == mine.id:
                findings.append(said)
            case Event(kind="meter_lost" | "meter_over"):
                raise MeterLost(said.text)
            case Status(capture=Capture() as held):
                if mine is None and not told_of_old:
                    told_of_old = True
                    print(
                        "ouzel: this immersion has its capture already: lift the probe first",
                        file=sys.stderr,
                    )
                if mine is not None and held.id == mine.id and said.unconfirmed_s <= 0:
                    return mine, findings
    return None, findings
