"""Makes the outlets that the configuration asks for."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from acquire.clock import Clock
    from acquire.config import Config
    from acquire.daemon import LateOutlet, Outlet
    from acquire.outlets.publisher import MqttOutlet
    from acquire.outward import HomieConfig, MqttConfig, ProgramsConfig

__all__ = ["configured_outlets", "page_outlet"]


def configured_outlets(config: Config, clock: Clock) -> Sequence[Outlet | LateOutlet]:
    """Give one outlet for each table there is; nothing of one that is not there is loaded."""
    from acquire.daemon import LateOutlet
    from acquire.notify import Notifier

    outlets: list[Outlet | LateOutlet] = []
    notifier = Notifier.from_environment()
    if notifier is not None:
        from acquire.outlets.manager import ManagerOutlet

        outlets.append(ManagerOutlet(notifier, config.store.commit_every_s))
    mqtt: list[MqttOutlet] = []  # the metrics count what it drops
    if config.mqtt is not None:
        make_mqtt = partial(_mqtt, config.mqtt, config, clock, mqtt)
        # A template that cannot be used is refused before anything begins.
        is_late = not config.mqtt.announce.templates
        outlets.append(LateOutlet("mqtt", make_mqtt) if is_late else make_mqtt())
        if config.mqtt.homie is not None:
            make = partial(_homie, config.mqtt, config.mqtt.homie, config, clock)
            outlets.append(LateOutlet("homie", make))
    if config.metrics is not None:
        make = partial(_metrics, config.metrics.port, config, clock, mqtt)
        outlets.append(LateOutlet("metrics", make))
    if config.programs.on_capture or config.programs.on_alert:
        outlets.append(LateOutlet("programs", partial(_programs, config.programs, clock)))
    return outlets


def _mqtt(settings: MqttConfig, config: Config, clock: Clock, made: list[MqttOutlet]) -> Outlet:
    from acquire.outlets.publisher import MqttOutlet

    made.append(MqttOutlet(settings, config, clock))
    return made[-1]


def _homie(settings: MqttConfig, convention: HomieConfig, config: Config, clock: Clock) -> Outlet:
    from acquire.outlets.homie_outlet import HomieOutlet

    return HomieOutlet(settings, convention, config, clock)


def _metrics(port: int, config: Config, clock: Clock, mqtt: list[MqttOutlet]) -> Outlet:
    from acquire.outlets.metrics_outlet import MetricsOutlet

    return MetricsOutlet(port, config, clock, mqtt[-1] if mqtt else None)


def _programs(settings: ProgramsConfig, clock: Clock) -> Outlet:
    from acquire.outlets.programs import ProgramsOutlet

    return ProgramsOutlet(settings, clock)


def page_outlet(
    config: Config, clock: Clock, store: Path, begin_anew: Callable[[], None]
) -> LateOutlet | None:
    """Give the page, unless it is turned off or what it needs is not installed.

    Where no table asks for it, it takes another port when its usual one is taken.
    """
    import sys
    from importlib.util import find_spec

    from acquire.errors import ConfigError
    from acquire.outward import PageConfig

    settings = config.page or PageConfig()
    if not settings.on:
        return None
    missing = [name for name in ("starlette", "uvicorn") if find_spec(name) is None]
    if missing and config.page is None:
        return None
    if missing:
        raise ConfigError(
            f"the page needs {' and '.join(missing)}: pip install 'ouzel[web]'",
            file=config.file,
            key="page",
            allowed="on = false",
        )
    from acquire.daemon import LateOutlet

    def say(url: str) -> None:
        print(f"ouzel: the page is at {url}", file=sys.stderr, flush=True)

    def make() -> Outlet:
        from acquire.page.outlet import PageOutlet

        return PageOutlet(
            settings,
            config,
            clock,
            store=store,
            begin_anew=begin_anew,
            say=say,
            or_another=config.page is None,
        )

    return LateOutlet("page", make)
