"""The watch: one point of an installation, followed for years. Pure, no I/O, no clock."""
