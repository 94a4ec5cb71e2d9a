"""Makes the outlets that the configuration asks for."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from acquire.clock import Clock
    from acquire.config import Config
    from acquire.daemon import Outlet

__all__ = ["configured_outlets"]


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
