"""A real mosquitto on a free port, started by the tests; nothing here imitates a broker."""

from __future__ import annotations

import asyncio
import contextlib
import datetime as dt
import ipaddress
import os
import shutil
import signal
import socket
import subprocess
import time

import pytest

from acquire import config as configuration
from acquire.clock import SystemClock
from acquire.outlets.publisher import MqttOutlet
from acquire.outward import MqttConfig
from acquire.readings import Capture, CaptureState, Reading, SettledValue
from acquire.store.outbox import Carrier
from acquire.store.writer import StoreWriter

MOSQUITTO = shutil.which(
    "mosquitto", path=os.environ.get("PATH", "") + ":/usr/sbin:/usr/local/sbin"
)


def free_port():
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


class Mosquitto:
    """One broker; stop, kill and start it as often as you like, it keeps its port."""

    def __init__(self, folder):
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self.port = free_port()
        self.lines = [f"listener {self.port} 127.0.0.1", "allow_anonymous true"]
        self.process = None

    def start(self):
        file = self.folder / "mosquitto.conf"
        file.write_text("user root\n" + "\n".join(self.lines) + "\n", encoding="utf-8")
        with (self.folder / "log").open("a") as log:
            self.process = subprocess.Popen(
                [MOSQUITTO, "-v", "-c", str(file)], stdout=log, stderr=log
            )
        deadline = time.monotonic() + 10
        while True:
            with (
                contextlib.suppress(OSError),
                socket.create_connection(("127.0.0.1", self.port), 0.2),
            ):
                return self
            assert self.process.poll() is None, (self.folder / "log").read_text()[-500:]
            assert time.monotonic() < deadline
            time.sleep(0.005)

    def kill(self):
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(signal.SIGCONT)
            self.process.kill()
            self.process.wait()

    def hang(self):
        self.process.send_signal(signal.SIGSTOP)

    def wake(self):
        self.process.send_signal(signal.SIGCONT)


@pytest.fixture
def new_port():
    return free_port


@pytest.fixture
def broker(tmp_path):
    if MOSQUITTO is None:
        pytest.skip("mosquitto is not installed (Debian: apt install mosquitto)")
    one = Mosquitto(tmp_path / "broker")
    yield one
    one.kill()


class Ear:
    """A subscriber of its own that keeps all it hears, over every restart of the broker."""

    def __init__(self, port, topic="#", **more):
        self.port, self.topic, self.more = port, topic, more
        self.heard = []
        self.ready = asyncio.Event()

    async def listen(self):
        import aiomqtt
        from paho.mqtt.packettypes import PacketTypes
        from paho.mqtt.properties import Properties

        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = 3600
        while True:
            try:
                async with aiomqtt.Client(
                    "127.0.0.1",
                    self.port,
                    identifier="ear",
                    protocol=aiomqtt.ProtocolVersion.V5,
                    clean_start=False,
                    properties=properties,
                    timeout=3,
                    **self.more,
                ) as client:
                    await client.subscribe(self.topic, 1)
                    self.ready.set()
                    async for message in client.messages:
                        self.heard.append(message)
            except aiomqtt.MqttError:
                self.ready.clear()
                await asyncio.sleep(0.02)

    def of(self, topic):
        return [m for m in self.heard if str(m.topic) == topic]


@pytest.fixture
async def ear(broker):
    tasks = []

    async def begin(topic="#", **more):
        one = Ear(more.pop("port", broker.port), topic, **more)
        tasks.append(asyncio.create_task(one.listen()))
        await asyncio.wait_for(one.ready.wait(), 10)
        return one

    yield begin
    for task in tasks:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


class Heard:
    """What a daemon would say, said by a test."""

    def __init__(self):
        self.queue = asyncio.Queue()

    def say(self, item):
        self.queue.put_nowait(item)

    async def __aiter__(self):
        while (item := await self.queue.get()) is not None:
            yield item


class Program:
    """An MQTT outlet with a store and what the daemon would give it."""

    def __init__(self, outlet, writer, clock):
        self.outlet, self.writer, self.clock = outlet, writer, clock
        self.said = Heard()
        self.told = []
        self.task = self.act = None

    async def tell(self, event):
        self.told.append(event)

    def start(self):
        self.outlet.join(self.writer, self.tell)
        if self.act is not None:
            self.outlet.obey(self.act)
        self.task = asyncio.create_task(self.outlet.run(self.said))

    def sever(self):
        """Cut the connection as a power failure would: without a word of MQTT."""
        sock = self.outlet.broker.link._inner.socket()
        sock.shutdown(socket.SHUT_RDWR)

    async def keep(self, item):
        await self.writer.keep(item)
        self.said.say(item)

    async def stop(self):
        self.said.say(None)
        await asyncio.wait_for(self.task, 5)

    def capture(self, name, meter="kitchen", state=CaptureState.FINAL, ph=7.01):
        now = self.clock.now()
        values = {"ph": SettledValue("ph", ph, 0.02, "settled", 0.001, 42.0)}
        return Capture(name, meter, state, now, now, values, "kitchen tap")

    def reading(self, meter="kitchen", **values):
        return Reading(meter, self.clock.now(), values or {"ph": 7.01, "temperature": 20.5})


@pytest.fixture
async def program(broker, tmp_path):
    made = []

    async def make(clock=None, act=None, config=None, **settings):
        clock = clock or SystemClock()
        settings = {
            "host": "127.0.0.1",
            "port": broker.port,
            "client_id": "ouzel-test",
            "reconnect_most_s": 0.05,
            "source": "urn:dev:ops:0-test",
            "drain_per_s": 10_000,
            **settings,
        }
        outlet = MqttOutlet(MqttConfig(**settings), config or configuration.load(None), clock)
        writer = await StoreWriter.open(tmp_path / "water.db", clock=clock)
        await writer.keep(Carrier("mqtt"))  # as after any run before
        one = Program(outlet, writer, clock)
        one.act = act
        made.append(one)
        one.start()
        return one

    yield make
    for one in made:
        if not one.task.done():
            one.task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await one.task
        await one.writer.close()


@pytest.fixture
def until():
    async def wait(condition, seconds=20):
        async with asyncio.timeout(seconds):
            while not condition():  # noqa: ASYNC110  (what it waits for sets no event)
                await asyncio.sleep(0.005)

    return wait


@pytest.fixture
def certificates(tmp_path):
    """An authority of our own, a server certificate for 127.0.0.1 and a client's, as PEM files."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import NameOID

    now = dt.datetime.now(dt.UTC)
    folder = tmp_path / "certificates"
    folder.mkdir()
    authority_key = ec.generate_private_key(ec.SECP256R1())
    authority_name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "tests")])

    def write(name, key, certificate):
        (folder / f"{name}.pem").write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
        secret = folder / f"{name}.key"
        secret.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            )
        )
        secret.chmod(0o600)

    def make(name, key, is_authority):
        builder = (
            x509.CertificateBuilder()
            .subject_name(
                authority_name
                if is_authority
                else x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
            )
            .issuer_name(authority_name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now - dt.timedelta(days=1))
            .not_valid_after(now + dt.timedelta(days=1))
            .add_extension(x509.BasicConstraints(is_authority, None), critical=True)
            .add_extension(
                x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]),
                critical=False,
            )
        )
        write(name, key, builder.sign(authority_key, hashes.SHA256()))

    make("authority", authority_key, True)
    for name in ("server", "client"):
        make(name, ec.generate_private_key(ec.SECP256R1()), False)
    return folder
