"""`ouzel tail`: prints what goes out to the broker, as it comes by."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from acquire.cli.options import add_config, add_json, positive

if TYPE_CHECKING:
    from acquire.outlets.mqtt import Incoming
    from acquire.outward import MqttConfig

__all__ = ["add_to", "run"]

QUIET_S = 10.0
"""Whoever sees nothing for so long is told what it may be."""


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "tail",
        help="print what goes out to the broker",
        description="Listens on the configured broker, below ouzel's own topics, until Ctrl-C.",
    )
    parser.add_argument("--topic", help="listen to this topic instead; + and # are allowed")
    parser.add_argument("--for", dest="for_s", type=positive, metavar="SECONDS", help="end then")
    add_json(parser)
    add_config(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    import asyncio
    import contextlib

    from acquire.cli.options import load_config
    from acquire.errors import ConfigError

    config = load_config(args)
    if config.mqtt is None:
        raise ConfigError(
            "no broker is configured: write a table [mqtt] with its host",
            file=config.file or "ouzel.toml",
            key="mqtt",
        )
    topics = [args.topic] if args.topic else _topics(config.mqtt)
    with contextlib.suppress(TimeoutError):
        asyncio.run(_listen(config.mqtt, topics, for_s=args.for_s, as_json=args.json))
    return 0


def _topics(mqtt: MqttConfig) -> list[str]:
    homie = [] if mqtt.homie is None else [f"{mqtt.homie.topic}/#"]
    return [f"{mqtt.topic}/#", *homie]


async def _listen(
    mqtt: MqttConfig, topics: list[str], *, for_s: float | None, as_json: bool
) -> None:
    import asyncio
    import sys

    from acquire.errors import BrokerError
    from acquire.outlets.broker_look import visiting
    from acquire.outlets.trouble import LinkLost

    where = f"{mqtt.host}:{mqtt.port_used}"

    def say_so() -> None:
        text = (
            f"ouzel: nothing has come for {QUIET_S:g} s. Does `ouzel serve` run, with this broker "
            "and topic in its configuration? The broker's rules may also keep it from this user"
        )
        print(text, file=sys.stderr, flush=True)

    quiet = asyncio.get_running_loop().call_later(QUIET_S, say_so)
    try:
        async with asyncio.timeout(for_s), visiting(mqtt, "tail") as link:
            for topic in topics:
                refused = await link.subscribe(topic, 1)
                if refused:
                    raise LinkLost(  # noqa: TRY301 - told like any other
                        f"the subscription to {topic} was refused: {refused}: the broker's rules "
                        "(ACL) must let this user read it"
                    )
            print(f"ouzel: {where}: {', '.join(topics)}", file=sys.stderr, flush=True)
            async for message in link.messages():
                quiet.cancel()
                print(_json(message) if as_json else _line(message), flush=True)
    except LinkLost as error:
        raise BrokerError(f"{where}: {error}") from error
    finally:
        quiet.cancel()


def _line(message: Incoming) -> str:
    """Time, topic, payload on one line; nothing in it can move the cursor of a terminal."""
    from datetime import datetime

    from acquire.outlets.words import tidy

    kept = " (kept)" if message.is_retained else ""
    text = f"{tidy(message.topic, 200)}{kept}  {tidy(_text(message), 2000)}"
    return f"{datetime.now():%H:%M:%S}  {text}"  # noqa: DTZ005 - local time, for a person


def _text(message: Incoming) -> str:
    try:
        return message.payload.decode()
    except UnicodeDecodeError:
        return message.payload.hex()


def _json(message: Incoming) -> str:
    import json

    said = {"topic": message.topic, "payload": _text(message), "retained": message.is_retained}
    return json.dumps(said)
