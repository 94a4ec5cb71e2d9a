"""Makes the outlets that the configuration asks for."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from acquire.clock import Clock
    from acquire.config import Config
    from acquire.daemon import Outlet

__all__ = ["configured_outlets", "page_outlet"]


def configured_outlets(config: Config, clock: Clock) -> Sequence[Outlet]:
    """Give one outlet for each table there is; nothing of one that is not there is loaded."""
    from acquire.notify import Notifier

    outlets: list[Outlet] = []
    notifier = Notifier.from_environment()
    if notifier is not None:
        from acquire.outlets.manager import ManagerOutlet

        outlets.append(ManagerOutlet(notifier, config.store.commit_every_s))
    mqtt = None
    if config.mqtt is not None:
        from acquire.outlets.publisher import MqttOutlet

        mqtt = MqttOutlet(config.mqtt, config, clock)
        outlets.append(mqtt)
        if config.mqtt.homie is not None:
            from acquire.outlets.homie_outlet import HomieOutlet

            outlets.append(HomieOutlet(config.mqtt, config.mqtt.homie, config, clock))
    if config.metrics is not None:
        from acquire.outlets.metrics_outlet import MetricsOutlet

        outlets.append(MetricsOutlet(config.metrics.port, config, clock, mqtt))
    if config.programs.on_capture or config.programs.on_alert:
        from acquire.outlets.programs import ProgramsOutlet

        outlets.append(ProgramsOutlet(config.programs, clock))
    return outlets


def page_outlet(
    config: Config, clock: Clock, store: Path, begin_anew: Callable[[], None]
) -> Outlet | None:
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
    from acquire.page.outlet import PageOutlet

    def say(url: str) -> None:
        print(f"ouzel: the page is at {url}", file=sys.stderr, flush=True)

    return PageOutlet(
        settings,
        config,
        clock,
        store=store,
        begin_anew=begin_anew,
        say=say,
        or_another=config.page is None,
    )
