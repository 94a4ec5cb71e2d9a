"""`ouzel page`: who may come to the page from elsewhere."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from acquire.cli.options import add_config, add_json, add_store

if TYPE_CHECKING:
    from collections.abc import Callable

    from acquire.config import Config
    from acquire.outward import PageConfig
    from acquire.page.tokens import Tokens

__all__ = ["add_to"]


def add_to(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    parser = commands.add_parser(
        "page",
        help="invite a phone to the page that `ouzel serve` shows, and dismiss it",
        description="Beyond this machine nobody comes to the page without a token.",
    )
    works = parser.add_subparsers(metavar="WORK", required=True)
    invite = works.add_parser("invite", help="make a token and show it once, as a QR code")
    invite.add_argument("name", nargs="?", default="phone", metavar="NAME", help="whose it is")
    guests = works.add_parser("guests", help="list who was invited")
    dismiss = works.add_parser("dismiss", help="let somebody in no longer")
    dismiss.add_argument("name", metavar="NAME", help="as `ouzel page guests` lists it")
    for one, run in ((invite, _invite), (guests, _guests), (dismiss, _dismiss)):
        add_json(one)
        add_store(one)
        add_config(one)
        one.set_defaults(run=run)


def _known(args: argparse.Namespace) -> tuple[Config, PageConfig, Tokens]:
    from acquire.cli.options import load_config, store_path
    from acquire.outward import PageConfig
    from acquire.page.tokens import Tokens, tokens_file
    from acquire.paths import real

    config = load_config(args)
    page = config.page or PageConfig()
    store = real(store_path(args, config))
    return config, page, Tokens(tokens_file(page.tokens_file, store))


def _invite(args: argparse.Namespace) -> int:
    import json
    import sys

    from acquire.clock import SystemClock
    from acquire.outlets.words import tidy
    from acquire.readings import utc_text

    config, page, tokens = _known(args)
    draw = _qr()
    name = tidy(args.name, 40)
    token = tokens.invite(name, utc_text(SystemClock().now().at_ms))
    urls = [f"{url}enter#{token}" for url in _urls(page)]
    if args.json:
        print(json.dumps({"name": name, "token": token, "urls": urls}))
        return 0
    print(f"For {name}, shown this once. Whoever has it may read and order everything:\n")
    draw(urls[0])
    print(*urls, sep="\n")
    print(f"\nThe token alone, for programs: {token}")
    if page.cert_file is None:
        print("Without TLS everybody on the same network can read it on its way: docs/http.md.")
    if page.is_loopback:
        file = config.file or "ouzel.toml"
        print(
            f'The page listens on this machine only. For a phone write host = "0.0.0.0" under\n'
            f"[page] in {file} and restart `ouzel serve`.",
            file=sys.stderr,
        )
    return 0


def _guests(args: argparse.Namespace) -> int:
    import json
    from dataclasses import asdict

    from acquire.outlets.cells import padded
    from acquire.outlets.words import tidy

    found = _known(args)[2].guests()
    if args.json:
        print(
            json.dumps([{k: v for k, v in asdict(one).items() if k != "sha256"} for one in found])
        )
    elif not found:
        print("Nobody is invited. `ouzel page invite` makes a token.")
    for one in found if not args.json else ():
        print(f"{padded(tidy(one.name, 40), 40)} since {one.made[:16].replace('T', ' ')} UTC")
    return 0


def _dismiss(args: argparse.Namespace) -> int:
    import json

    _known(args)[2].dismiss(args.name)
    said = {"dismissed": args.name}
    print(json.dumps(said) if args.json else f"{args.name} is let in no longer.")
    return 0


def _qr() -> Callable[[str], None]:
    """Give what draws a QR code on a terminal; on anything else it draws nothing."""
    import sys

    from acquire.errors import ConfigError

    try:
        import segno
    except ImportError as error:
        raise ConfigError("this needs segno: pip install 'ouzel[web]'") from error

    def draw(text: str) -> None:
        if sys.stdout.isatty():
            segno.make(text, micro=False, error="l").terminal(compact=True, border=2)

    return draw


def _urls(page: PageConfig) -> list[str]:
    """Where others find this machine, the likeliest first."""
    import socket
    from ipaddress import ip_address

    scheme = "https" if page.cert_file is not None else "http"
    hosts = [page.host]
    if page.host in {"0.0.0.0", "::"}:  # noqa: S104  (asked, not bound)
        hosts = [_own_address(), f"{socket.gethostname().partition('.')[0]}.local"]
    found = []
    for host in [*hosts, *page.hosts]:
        try:
            is_six = ip_address(host).version == 6
        except ValueError:
            is_six = False
        found.append(f"{scheme}://{f'[{host}]' if is_six else host}:{page.port}/")
    return found


def _own_address() -> str:
    """Give the address this machine has towards others; nothing is sent to find it."""
    import socket

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # RFC 5737: an address of nobody
        except OSError:
            return "127.0.0.1"
        return str(probe.getsockname()[0])
