"""Asks a person for the numbers on a display, one after the other, for commands that capture."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from acquire.cli.dialogue import ask, say
from acquire.errors import FrameError
from acquire.outlets.words import shown_with_u, tidy

if TYPE_CHECKING:
    from acquire.cli.take_one import Taken
    from acquire.clock import Clock
    from acquire.config import Config, MeterConfig
    from acquire.quantities import Quantity
    from acquire.readings import Role, Stamp
    from acquire.store.writer import StoreWriter

__all__ = ["Dialogue", "take_by_hand"]

HOW = (
    "Type what the display shows, with its unit if it is another one. Enter alone\n"
    "leaves a number out, `undo` takes the last one back, Ctrl-C leaves without\n"
    "storing anything."
)
_STILL = "Did the numbers stand still while you read them? (yes / no / undo): "
_UNDO = {"undo", "u", "<"}


class Dialogue:
    """One conversation. `ask` gives the next line, `say` shows one; EOFError ends it."""

    def __init__(
        self, fields: Sequence[Any], ask: Callable[[str], str], say: Callable[[str], None]
    ) -> None:
        self._fields = fields
        self._ask = ask
        self._say = say
        self._entries: list[Any] = [None] * len(fields)

    @property
    def entries(self) -> list[Any]:
        """What was typed and not taken back."""
        return [entry for entry in self._entries if entry is not None]

    def run(self) -> bool:
        """Ask for all numbers and whether they stood still; gives the answer to that."""
        self._say(HOW)
        at = 0
        while True:
            while at < len(self._fields):
                at = self._number(at)
            if not self.entries:
                self._say("No number yet: there is nothing to store.")
                at = 0
                continue
            answer = self._ask(_STILL).strip().casefold()
            if answer in _UNDO:
                at = self._take_back(at)
            elif answer in {"y", "yes"}:
                return True
            elif answer in {"n", "no"}:
                return False
            else:
                self._say("  yes, no or undo")

    def _number(self, at: int) -> int:
        """Ask for one; gives the place to go on with."""
        field = self._fields[at]
        quantity: Quantity = field.quantity
        unit = f" ({field.unit})" if field.unit not in {"", "1", "pH", "[pH]"} else ""
        said = self._ask(f"{quantity.label}{unit}: ").strip()
        if said.casefold() in _UNDO:
            return self._take_back(at)
        self._entries[at] = None
        if not said:
            return at + 1
        try:
            entry = self._entries[at] = field.read(said)
        except FrameError as error:
            self._say(f"  {tidy(str(error), 200)}")
            return at
        self._say(f"  {shown_with_u(quantity, entry.value, entry.step * 12**-0.5 * 2)}")
        return at + 1

    def _take_back(self, at: int) -> int:
        """Give the place of the last number before this one, emptied."""
        for place in range(at - 1, -1, -1):
            if self._entries[place] is not None:
                label = self._fields[place].quantity.label
                self._say(f"  taken back: {label} {tidy(self._entries[place].text, 40)}")
                self._entries[place] = None
                return place
        self._say("  there is nothing to take back")
        return at


def take_by_hand(
    config: Config,
    meter: MeterConfig,
    clock: Clock,
    *,
    store: Path,
    stop: tuple[str, Role | None],
) -> Taken:
    """Ask for one capture and store it; KeyboardInterrupt when the person leaves before that.

    The store is opened first: a number is asked for only when it can be kept.
    """
    import asyncio
    import io

    from acquire.registry import driver_class
    from acquire.store.writer import StoreWriter

    if isinstance(sys.stdin, io.TextIOWrapper):
        sys.stdin.reconfigure(errors="replace")  # bytes that are no text are no number either
    driver: Any = driver_class(meter.driver)(meter.settings, meter=meter.name, clock=clock)
    every_s = config.store.commit_every_s
    with asyncio.Runner() as runner:
        writer = runner.run(StoreWriter.open(store, clock=clock, commit_every_s=every_s))
        try:
            began = clock.now()
            dialogue = Dialogue(driver.fields, ask, say)
            try:
                stood_still = dialogue.run()
            except (KeyboardInterrupt, EOFError):
                say("\nNothing was stored.")
                raise KeyboardInterrupt from None
            typed = _Typed(dialogue.entries, stood_still, began, clock.now(), stop)
            return runner.run(_keep(config, meter, driver, writer, typed))
        finally:
            runner.run(writer.close())


async def _keep(
    config: Config,
    meter: MeterConfig,
    driver: Any,
    writer: StoreWriter,
    typed: _Typed,
) -> Taken:
    """Store what was typed: the reading, then the capture that rests on it."""
    from acquire.bench.findings import Findings
    from acquire.bench.standing import Explanation
    from acquire.bench.typed import typed_capture
    from acquire.checks import in_force
    from acquire.cli.take_one import Taken
    from acquire.daemon import new_id
    from acquire.readings import CaptureState, Reading
    from acquire.store.records import Records

    channels = list(driver.channels)
    await writer.describe(
        meter.name,
        driver=meter.driver,
        profile=str(getattr(meter.settings, "profile", "")),
        identity=driver.identity,
        channels=channels,
        units={c.quantity: config.quantities[c.quantity].unit for c in channels},
    )
    with Records.open(writer.path) as records:
        corrections = in_force(records.corrections(meter=meter.name))
    capture = typed_capture(
        typed.entries,
        id=new_id(),
        meter=meter.name,
        channels=channels,
        began=typed.began,
        ended=typed.ended,
        stood_still=typed.stood_still,
        water=typed.stop[0],
        role=typed.stop[1],
        corrections=corrections,
    )
    reading = Reading(
        meter.name,
        typed.ended,
        {entry.quantity: entry.value for entry in typed.entries},
        raw="; ".join(f"{entry.quantity} {entry.text}" for entry in typed.entries)[:256],
    )
    await writer.add(reading)
    await writer.keep(capture)
    findings = []
    if capture.state is CaptureState.FINAL:
        findings = Findings(meter.name, channels).of(capture, typed.ended)
    for finding in findings:
        await writer.keep(finding)
    by_name = {channel.quantity: channel for channel in channels}
    explanation = Explanation(meter.name, capture.id, {}, by_name, corrections)
    return Taken(capture, [explanation], [reading], findings, "")


@dataclass(frozen=True, slots=True)
class _Typed:
    """What came of the conversation."""

    entries: Sequence[Any]
    stood_still: bool
    began: Stamp
    ended: Stamp
    stop: tuple[str, Role | None]
