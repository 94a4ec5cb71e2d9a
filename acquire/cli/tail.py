"""`ouzel tail`: prints what goes out to the broker, as it comes by."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from acquire.cli.options import add_config, add_json, positive

if TYPE_CHECKING:
    from acquire.outlets.mqtt import Incoming
    from acquire.outward import MqttConfig

__all__ = ["add_to", "run"]


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
    import secrets
    import sys

    from acquire.errors import OuzelError
    from acquire.outlets.mqtt import LinkLost, open_link

    # An id of its own each time: with that of the daemon the broker would throw the daemon out.
    name = f"ouzel-tail-{secrets.token_hex(4)}"
    where = f"{mqtt.host}:{mqtt.port_used}"
    try:
        async with (
            asyncio.timeout(for_s),
            open_link(mqtt, name, None, is_5=mqtt.version != "3.1.1") as link,
        ):
            for topic in topics:
                refused = await link.subscribe(topic, 1)
                if refused:
                    raise LinkLost(  # noqa: TRY301 - told like any other
                        f"the subscription to {topic} was refused: {refused}"
                    )
            print(f"ouzel: {where}: {', '.join(topics)}", file=sys.stderr, flush=True)
            async for message in link.messages():
                print(_json(message) if as_json else _line(message), flush=True)
    except LinkLost as error:
        raise OuzelError(f"{where}: {error}") from error


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
