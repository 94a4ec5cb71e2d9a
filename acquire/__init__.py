"""ouzel: reads water probes, waits until they have come to rest, records what they say."""

__all__ = ["__version__"]
__version__ = "0.1.0"
