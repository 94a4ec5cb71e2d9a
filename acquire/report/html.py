"""A round as one HTML file that needs nothing else: style and figures inside, no script.

The page itself forbids what it does not need (Content-Security-Policy), so that nothing typed into
a name or a note could reach out, were it ever to slip through the escaping.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from importlib.resources import files

from acquire import __version__
from acquire.errors import ConfigError
from acquire.report.answer import answers, headline
from acquire.report.around import cautions_of, checks_of, done_of, particles_of
from acquire.report.doubt import budgets_of
from acquire.report.gather import Bench, gather
from acquire.report.markup import Markup, join, tag
from acquire.report.measured import captures_of
from acquire.report.past import histories_of
from acquire.report.redact import OPEN, Redaction
from acquire.report.view import View
from acquire.rounds import Round
from acquire.store.records import Records

__all__ = ["policy", "report_html", "round_meant"]


_STATES = {"open": "not finished yet", "stopped": "stopped before its end"}


@cache
def _style() -> str:
    return files("acquire.report").joinpath("style.css").read_text(encoding="utf-8")


@cache
def policy() -> str:
    """Give the Content-Security-Policy of a report, also for a server that sends one."""
    digest = hashlib.sha256(_style().encode()).digest()
    said = f"style-src 'sha256-{base64.b64encode(digest).decode()}'"
    return f"default-src 'none'; {said}; img-src data:; base-uri 'none'; form-action 'none'"


def round_meant(records: Records, word: str) -> Round:
    """Give the round of that id, its beginning, or the latest for `last`.

    Raises:
        ConfigError: there is none; names the latest ones.

    """
    if word != "last":
        found = records.round(word)
        if found is not None:
            return found
    rounds = records.rounds()
    if not rounds:
        raise ConfigError("there is no round in this store yet: `ouzel round PLAN` walks one")
    if word == "last":
        return rounds[-1]
    known = ", ".join(one.id for one in reversed(rounds[-5:]))
    raise ConfigError("no such round", found=word, allowed=f"last, or an id: {known}")


def report_html(
    records: Records,
    round_id: str,
    bench: Bench,
    *,
    now_ms: int,
    redaction: Redaction = OPEN,
    heard: Callable[[str], None] = lambda _text: None,
) -> Iterator[str]:
    """Give the file piece by piece; everything is collected before the first.

    Raises:
        ConfigError: there is no such round.

    """
    visit = round_meant(records, round_id)
    found = gather(records, visit, bench, redaction=redaction, heard=heard)
    return _pieces(View(found, bench.quantities, redaction), now_ms)


def _pieces(view: View, now_ms: int) -> Iterator[str]:
    title = headline(view)
    day = view.day(view.all.round.began_ms)
    yield "<!DOCTYPE html>\n"
    yield '<html lang="en">\n'
    yield tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=policy()),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="color-scheme", content="light"),
        tag("meta", name="robots", content="noindex"),
        tag("title", f"{title}, {day}"),
        tag("link", rel="icon", href="data:,"),
        tag("style", Markup(_style())),
    )
    yield "\n<body>\n"
    yield tag("header", *_top(view, title))
    yield "\n<main>\n"
    for name, words, parts in _sections(view):
        inside = list(parts)
        if not any(inside):
            continue
        head = tag("h2", words, id=f"{name}-h") if words else ""
        yield tag("section", head, *inside, id=name, aria_labelledby=f"{name}-h" if words else None)
        yield "\n"
    yield "</main>\n"
    yield tag("footer", *_foot(view, now_ms))
    yield "\n</body>\n</html>\n"


def _sections(view: View) -> Iterator[tuple[str, str, Iterable[Markup]]]:
    """Name, heading and content of each part; the answer carries headings of its own."""
    yield "answer", "", answers(view)
    yield "curves", "How the numbers came to rest", (_key(view), *captures_of(view))
    yield "past", "Over the months", histories_of(view)
    yield "checks", "Was the meter right?", checks_of(view)
    yield "particles", "Particles", particles_of(view)
    yield "budget", "Where each ± comes from", budgets_of(view)
    yield "done", "What was done", done_of(view)
    yield "cautions", "What these numbers cannot show", cautions_of(view)


def _key(view: View) -> Markup:
    if not any(taken.curves for taken in view.all.taken):
        return Markup()
    return tag(
        "p",
        "Each line is what the display showed. The band is the tolerance around the value that was "
        "captured, the shade where ouzel expected it to end (95 %), the flag the moment of the "
        "capture; a wedge at the edge is a reading further off.",
        class_="small",
    )


def _top(view: View, title: str) -> Iterator[Markup]:
    visit = view.all.round
    began, ended = visit.began_ms, visit.ended_ms
    until = f"–{view.clock(ended)}" if ended is not None else ""
    yield tag("p", "Report of a round", class_="kind")
    yield tag("h1", title)
    told = [
        join(view.time(began), f", {view.clock(began)}{until} {view.zone(began)}"),
        join("meter ", visit.meter, f" ({view.all.identity})" if view.all.identity else ""),
        join("plan ", visit.plan) if visit.plan else Markup(),
        join(_STATES.get(visit.state, "")),
    ]
    yield tag("p", *_dotted(told), class_="told")


def _dotted(parts: Iterable[Markup]) -> Iterator[Markup]:
    for index, part in enumerate(part for part in parts if part):
        yield join(" · ", part) if index else part


def _foot(view: View, now_ms: int) -> Iterator[Markup]:
    visit = view.all.round
    hidden = ", places and notes left out" if view.redaction.hides_places else ""
    yield tag(
        "p",
        f"Round {visit.id}. Written by ouzel {__version__} on {view.day(now_ms)}{hidden}. "
        "Uncertainties by the GUM (JCGM 100:2008); ratios by Fieller (1954); limits with guard "
        "bands by JCGM 106:2012. Times are "
        f"{view.zone(visit.began_ms)}.",
    )
