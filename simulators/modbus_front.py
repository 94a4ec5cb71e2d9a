"""Simulated meters with Modbus registers: on one serial line, or behind a TCP port.

pymodbus's own server answers, fed with what the simulated display shows. A server needs a serial
port and so does its reader, so the line is two pseudo-terminals with a pump between them.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncGenerator, Callable, Mapping
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Self

from acquire.clock import Clock
from acquire.errors import ConfigError, MeterUnavailable
from simulators.display import Shown
from simulators.modbus_registers import RegisterMap
from simulators.pty_front import PtyFront

if TYPE_CHECKING:
    from pymodbus.constants import ExcCodes
    from pymodbus.server import ModbusSerialServer, ModbusTcpServer
    from pymodbus.simulator import SimDevice

__all__ = ["ModbusFront", "SimulatedDevice"]

_ANSWER_S = 0.02
"""From request to answer: common for such probes, no source."""


@dataclass(slots=True)
class SimulatedDevice:
    """One meter on the line. Its fields may be changed while it is read."""

    registers: RegisterMap
    show: Callable[[], Shown]
    answer_s: float = _ANSWER_S
    refusal: int | None = None
    """Exception code it answers everything with."""
    is_silent: bool = False


class ModbusFront:
    """The devices by their numbers, on a serial line (`tcp` None) or behind a host and port.

    Port 0 is any free one. `spoil` may change the bytes of each answer. Nobody answers for a
    device that is not there, as on a real line.
    """

    def __init__(
        self,
        devices: Mapping[int, SimulatedDevice],
        *,
        clock: Clock,
        link: Path | None = None,
        tcp: tuple[str, int] | None = None,
        spoil: Callable[[bytes], bytes] | None = None,
    ) -> None:
        if not devices or not all(1 <= number <= 247 for number in devices):
            raise ConfigError(
                "no such device", found=list(devices), allowed="1 to 247, at least one"
            )
        self._devices = devices
        self._clock = clock
        self._tcp = tcp
        self._spoil = spoil
        self._line = PtyFront(link)
        self._stack = AsyncExitStack()
        self._server: ModbusSerialServer | ModbusTcpServer | None = None
        self.answers = 0
        """Answers given so far, refusals included."""

    @property
    def path(self) -> str:
        """What a meter's `port` has to say."""
        if self._tcp is None:
            return self._line.path
        host, port = self._tcp
        return f"tcp://[{host}]:{port}" if ":" in host else f"tcp://{host}:{port}"

    async def __aenter__(self) -> Self:
        async with AsyncExitStack() as stack:
            inner = PtyFront()
            if self._tcp is None:
                await stack.enter_async_context(self._line)
                await stack.enter_async_context(inner)
                await stack.enter_async_context(_pump(inner, self._line))
            await self._serve(inner.path)
            stack.push_async_callback(self._end)
            self._stack = stack.pop_all()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        await self._stack.aclose()

    async def unplug(self) -> None:
        """Take the line away from whoever reads it."""
        if self._tcp is None:
            self._line.unplug()
        else:
            await self._end()

    async def plug(self) -> None:
        """Put it back: under a new name, unless there is a link or it is TCP."""
        if self._tcp is None:
            self._line.plug()
        elif self._server is None:
            await self._serve()

    async def _serve(self, port: str = "") -> None:
        try:
            from pymodbus.server import ModbusSerialServer, ModbusTcpServer  # noqa: PLC0415
        except ImportError as error:
            raise MeterUnavailable(
                "a simulated Modbus meter needs pymodbus, which is not installed: "
                "pip install 'pymodbus>=3.16,<4'"
            ) from error
        # Each line that is closed, and each device that is meant to be silent, is an error to it.
        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
        devices = [_device(number, one, self._clock) for number, one in self._devices.items()]
        server: ModbusSerialServer | ModbusTcpServer
        if self._tcp is None:
            server = ModbusSerialServer(devices, port=port, trace_packet=self._trace)
        else:
            server = ModbusTcpServer(devices, address=self._tcp, trace_packet=self._trace)
        try:
            await server.serve_forever(background=True)
        except RuntimeError as error:  # the reason is in pymodbus's log only
            raise MeterUnavailable(
                f"{self.path} cannot be listened on: is it in use, or not of this machine?"
            ) from error
        self._server = server
        if self._tcp is not None:
            self._tcp = (self._tcp[0], server.transport.sockets[0].getsockname()[1])  # type: ignore[attr-defined]

    async def _end(self) -> None:
        server, self._server = self._server, None
        if server is not None:
            await server.shutdown()  # type: ignore[no-untyped-call]

    def _trace(self, sending: bool, data: bytes) -> bytes:
        """Let an answer out, or not.

        With a list of devices the server answers for those that are not there too, whatever
        ignore_missing_devices says (pymodbus 3.16.1).
        """
        if not sending:
            return data
        device = self._devices.get(data[0 if self._tcp is None else 6])
        if device is None or device.is_silent:
            return b""
        self.answers += 1
        return data if self._spoil is None else self._spoil(data)


@asynccontextmanager
async def _pump(one: PtyFront, other: PtyFront) -> AsyncGenerator[None]:
    """Carry bytes between the ends of a line."""

    async def carry(source: PtyFront, sink: PtyFront) -> None:
        while True:
            sink.send(await source.receive())

    tasks = [
        asyncio.create_task(carry(one, other), name="modbus line out"),
        asyncio.create_task(carry(other, one), name="modbus line in"),
    ]
    try:
        yield
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


def _device(number: int, device: SimulatedDevice, clock: Clock) -> SimDevice:
    """Give pymodbus's view of a meter: registers that are filled as they are asked for."""
    from pymodbus.constants import ExcCodes  # noqa: PLC0415
    from pymodbus.simulator import DataType, SimData, SimDevice  # noqa: PLC0415

    async def answer(
        function: int,
        start: int,
        _address: int,
        _count: int,
        registers: list[int],
        written: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        await clock.sleep(device.answer_s)
        if device.refusal is not None:
            return ExcCodes(device.refusal)
        if function != device.registers.function or written is not None:
            return ExcCodes.ILLEGAL_FUNCTION
        for address, word in device.registers.words(device.show()).items():
            registers[address - start] = word
        return None

    addresses = sorted(device.registers.words({}))
    if not device.registers.has_holes:
        addresses = list(range(addresses[0], addresses[-1] + 1))
    data = [SimData(address, values=0, datatype=DataType.REGISTERS) for address in addresses]
    return SimDevice(number, simdata=data, action=answer)
