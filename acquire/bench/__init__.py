"""The bench: leave the probe in a sample and the settled reading is captured hands-free."""
