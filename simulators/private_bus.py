"""A D-Bus daemon of one's own, in a folder of its own: nothing on it is the system's."""

from __future__ import annotations

import asyncio
import os
import shutil
import tempfile
from pathlib import Path
from types import TracebackType
from typing import Self

from acquire.errors import MeterUnavailable

__all__ = ["PrivateBus"]

# However this program ends, the daemon ends with it: its shell waits on a pipe from us. A word on
# the pipe asks for the daemon's end; the end of the pipe means that nobody is left to tidy up.
_SCRIPT = """
dbus-daemon --config-file="$1/bus.conf" --nofork --print-address=1 &
read -r _ || rm -rf "$1"
kill -9 $!
"""

_LONGEST = 107

# Without leave to receive even the answer to Hello is dropped, and the client waits for ever.
_CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <listen>unix:path={socket}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow user="*"/>
    <allow own="*"/>
    <allow send_destination="*" eavesdrop="true"/>
    <allow receive_sender="*" eavesdrop="true"/>
  </policy>
</busconfig>
"""


class PrivateBus:
    """Runs while its context is open; `address` goes into DBUS_SYSTEM_BUS_ADDRESS."""

    def __init__(self) -> None:
        self._folder = Path(tempfile.mkdtemp(prefix="ouzel-"))
        self._socket = self._folder / "bus"
        self.address = f"unix:path={self._socket}"
        self._daemon: asyncio.subprocess.Process | None = None

    @staticmethod
    def is_possible() -> bool:
        return shutil.which("dbus-daemon") is not None

    async def __aenter__(self) -> Self:
        try:
            await self.start()
        except BaseException:
            await self.__aexit__(None, None, None)
            raise
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self.kill()
        shutil.rmtree(self._folder, ignore_errors=True)

    async def start(self) -> None:
        """Start the daemon, anew after `kill`; the address stays the same."""
        if not self.is_possible():
            raise MeterUnavailable(
                "this needs the program dbus-daemon (Debian package dbus-daemon)"
            )
        if len(str(self._socket)) > _LONGEST:
            raise MeterUnavailable(
                f"the path of a socket has at most {_LONGEST} bytes: set TMPDIR to a shorter one"
            )
        config = self._folder / "bus.conf"
        config.write_text(_CONFIG.format(socket=self._socket), encoding="ascii")
        self._daemon = daemon = await asyncio.create_subprocess_exec(
            "sh",
            "-c",
            _SCRIPT,
            "sh",
            str(self._folder),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
            env={"PATH": os.environ.get("PATH", "")},
            start_new_session=True,  # Ctrl-C is for us: the daemon ends after its users
        )
        if daemon.stdout is None or not await daemon.stdout.readline():
            raise MeterUnavailable("the private D-Bus daemon does not start")

    async def kill(self) -> None:
        """End the daemon at once: every program on it loses its connection."""
        daemon, self._daemon = self._daemon, None
        if daemon is None:
            return
        await daemon.communicate(b"end\n")
        self._socket.unlink(missing_ok=True)
