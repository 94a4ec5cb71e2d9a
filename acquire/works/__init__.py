"""The parts of the daemon; `acquire.daemon` puts them together."""
