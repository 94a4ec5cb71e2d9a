"""Run by test_crash.py: writes as fast as it can and prints what it was told is durable.

Lines: `add N` after the reading of value N was taken, `kept ID STATE` after a capture was, and
`durable N` whenever the writer says that N readings are.
"""

from __future__ import annotations

import asyncio
import itertools
import os
import signal
import sys
from dataclasses import replace

from acquire.clock import SystemClock
from acquire.readings import Capture, CaptureState, Reading, SettledValue
from acquire.store import StoreWriter


def tell(text: str) -> None:
    os.write(1, text.encode() + b"\n")


async def main(path: str, meter: str, every_s: float) -> None:
    clock = SystemClock()
    told = 0
    async with await StoreWriter.open(path, clock=clock, commit_every_s=every_s) as writer:
        for n in itertools.count():
            now = clock.now()
            await writer.add(Reading(meter, now, {"orp": float(n), "temperature": 21.0}))
            tell(f"add {n} {now.mono_ns}")
            if n % 50 == 49:
                value = SettledValue("orp", float(n), 5.0, "settled", 0.0, 30.0)
                capture = Capture(
                    f"{meter}-{n}", meter, CaptureState.PROVISIONAL, now, now, {"orp": value}
                )
                for state in (CaptureState.PROVISIONAL, CaptureState.FINAL):
                    await writer.keep(replace(capture, state=state))
                    tell(f"kept {capture.id} {state}")
            if writer.stats.readings != told:
                told = writer.stats.readings
                tell(f"durable {told}")
            await asyncio.sleep(0.001)


if __name__ == "__main__":
    # A shell lets what runs in its background ignore Ctrl-C, and so would this.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    asyncio.run(main(sys.argv[1], sys.argv[2], float(sys.argv[3])))
