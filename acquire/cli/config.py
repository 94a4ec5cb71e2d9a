"""`ouzel config`: check the configuration, or show it with every default."""

from __future__ import annotations

import argparse

from acquire.cli.options import add_config, add_json

__all__ = ["add_to", "check", "show"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser("config", help="check or show the configuration")
    actions = parser.add_subparsers(metavar="ACTION", required=True)
    for name, run, text in (
        ("check", check, "say whether the configuration and its profiles can be used"),
        ("show", show, "print everything in force, defaults included"),
    ):
        action = actions.add_parser(name, help=text, description=text)
        add_json(action)
        add_config(action)
        action.set_defaults(run=run)


def check(args: argparse.Namespace) -> int:
    import json

    from acquire.cli.options import load_config

    config = load_config(args)
    config.solutions()  # a person's own file is read when it is needed; here it is
    if config.mqtt is not None and config.mqtt.announce.templates:
        from acquire.outlets.announce import load_template

        for path in config.mqtt.announce.templates:
            load_template(path)  # the same
    if args.json:
        print(json.dumps({"file": str(config.file or ""), "meters": list(config.meters)}))
        return 0
    if config.file is None:
        print("No configuration file: everything has its default and no meter is configured.")
    else:
        meters = ", ".join(config.meters) or "none"
        print(f"{config.file}: good. Meters: {meters}.")
    return 0


def show(args: argparse.Namespace) -> int:
    import json

    from acquire.cli.options import load_config

    config = load_config(args)
    if args.json:
        print(json.dumps(config.shown(), indent=2))
        return 0
    print(f"# from {config.file}" if config.file else "# no configuration file: defaults")
    _print_tables("", config.shown())
    return 0


def _print_tables(prefix: str, table: dict[str, object]) -> None:
    """Write nested dictionaries as TOML tables."""
    plain = {k: v for k, v in table.items() if not isinstance(v, dict) and v is not None}
    if prefix and plain:
        print(f"\n[{prefix}]")
    for key, value in plain.items():
        print(f"{_key(key)} = {_value(value)}")
    for key, value in table.items():
        if isinstance(value, dict):
            _print_tables(f"{prefix}.{_key(key)}" if prefix else _key(key), value)


def _key(key: str) -> str:
    """Leave a key bare where TOML allows it."""
    is_bare = key.isascii() and key.replace("-", "_").replace("_", "a").isalnum()
    return key if is_bare else _value(key)


def _value(value: object) -> str:
    """Write a value on one line; JSON text, numbers and truth are TOML as they stand."""
    import json

    if isinstance(value, dict):
        pairs = (f"{_key(k)} = {_value(v)}" for k, v in value.items() if v is not None)
        return f"{{ {', '.join(pairs)} }}"
    if isinstance(value, list):
        return f"[{', '.join(_value(one) for one in value)}]"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
