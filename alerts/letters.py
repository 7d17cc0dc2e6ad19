"""What a message says: subject, text, HTML for a phone, 160 characters, the event for programs. Recipe first."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from html import escape
from typing import Any

from alerts.envelope import cloud_event
from alerts.types import Alert, RecipeKind, Transition, rfc3339
from alerts.wording import SHORT_TEXT, say_lands, say_recipe, short_text
from monitor.plant.types import Plant

_STYLE = "font:16px/1.45 system-ui,sans-serif;max-width:36em;margin:0 auto;padding:12px;color:#1a1a1a;background:#fff"
_BUTTON = (
    "display:inline-block;padding:14px 22px;background:#1f4e79;color:#fff;text-decoration:none;border-radius:6px;"
    "font-weight:bold"
)


_WITH_UNIT = re.compile(r"(?<=\d) (?=(?:L|%|mL|mm|in|h|min|days|US gal|US fl oz|x \d)(?![a-z]))|(?<=\d x) (?=\d)")


@dataclass(frozen=True, slots=True)
class Content:
    """One message in all its forms."""

    subject: str
    text: str
    html: str
    short: str
    event: Mapping[str, Any] = field(default_factory=dict)

    def as_json(self) -> dict[str, Any]:
        """Return plain JSON values."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Part:
    """A heading with lines below it. `names` tells that each line begins with a name, which is set in bold."""

    heading: str
    lines: tuple[str, ...]
    names: bool = False


@dataclass(frozen=True, slots=True)
class Links:
    """Where a message leads: the page, and the link that acknowledges (empty: none)."""

    page: str = ""
    acknowledge: str = ""


def alert_content(transition: Transition, plant: Plant, links: Links, *, again: str = "") -> Content:
    """Return the message about a transition. `again` names a repeat: `reminder 2`, `nobody acknowledged`."""
    alert = transition.alert
    short = short_text(alert, plant)
    head = f"{again}: {short}" if again else short
    subject = f"{alert.priority.value}: {head}"
    area = plant.sumps[alert.sump].area if alert.sump in plant.sumps else ""
    parts = [*_recipe_parts(alert, plant), Part("Why", (alert.text,))]
    if area:
        parts.append(Part("Where", (f"{alert.sump}, {area}",)))
    if alert.recipe is not None and alert.recipe.cautions:
        parts.append(Part("Caution", alert.recipe.cautions))
    event = cloud_event(alert, transition, plant, f"bandkeeper/{plant.id}")
    return content(subject, parts, plant, links, short=_cut(head), event=event)


def _recipe_parts(alert: Alert, plant: Plant) -> Iterable[Part]:
    recipe = alert.recipe
    if recipe is not None and recipe.kind is not RecipeKind.LEAVE_ALONE:
        yield Part("Do this", (*say_recipe(recipe, plant), say_lands(recipe, plant)))


def content(
    subject: str, parts: Sequence[Part], plant: Plant, links: Links, *, short: str, event: Mapping[str, Any]
) -> Content:
    """Put a message together from its parts."""
    return Content(subject, _plain(parts, plant, links), _html(subject, parts, plant, links), short, event)


def report_event(kind: str, name: str, plant: Plant, now_s: float, parts: Sequence[Part]) -> dict[str, Any]:
    """Return a report as a CloudEvents 1.0 event; its id is the report's name."""
    return {
        "specversion": "1.0",
        "id": name,
        "source": f"bandkeeper/{plant.id}",
        "type": f"bandkeeper.report.{kind}",
        "subject": plant.id,
        "time": rfc3339(now_s),
        "datacontenttype": "application/json",
        "data": {"parts": [{"heading": part.heading, "lines": list(part.lines)} for part in parts]},
    }


def _cut(text: str) -> str:
    return text if len(text) <= SHORT_TEXT else text[: SHORT_TEXT - 1].rstrip() + "…"


def _plain(parts: Sequence[Part], plant: Plant, links: Links) -> str:
    blocks = ["\n".join([part.heading.upper(), *part.lines]) for part in parts]
    if links.acknowledge:
        blocks.append(f"I AM ON IT\n{links.acknowledge}")
    if links.page:
        blocks.append(f"The page: {links.page}")
    blocks.append(f"Bandkeeper, {plant.name}. Local rules, the safety data sheet and trained staff come first.")
    return "\n\n".join(blocks) + "\n"


def _html(subject: str, parts: Sequence[Part], plant: Plant, links: Links) -> str:
    blocks = [f'<h1 style="font-size:21px;line-height:1.25;margin:4px 0 10px">{_kept(subject)}</h1>']
    blocks += [_html_part(part) for part in parts]
    if links.acknowledge:
        blocks.insert(2, f'<p><a style="{_BUTTON}" href="{escape(links.acknowledge)}">I am on it</a></p>')
    if links.page:
        blocks.append(f'<p><a href="{escape(links.page)}">The page</a></p>')
    foot = f"Bandkeeper, {escape(plant.name)}. Local rules, the safety data sheet and trained staff come first."
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width"><meta name="color-scheme" content="light">'
        f"<title>{escape(subject)}</title></head>"
        f'<body style="{_STYLE}"><main>{"".join(blocks)}<p style="font-size:13px;color:#555">{foot}</p></main>'
        "</body></html>"
    )


def _html_part(part: Part) -> str:
    lines = "".join(f'<p style="margin:6px 0">{_line(line, bold=part.names)}</p>' for line in part.lines)
    return f'<h2 style="font-size:18px;margin:14px 0 4px">{escape(part.heading)}</h2>{lines}'


def _line(text: str, *, bold: bool) -> str:
    name, space, rest = text.partition(" ")
    return f"<b>{_kept(name)}</b>{space}{_kept(rest)}" if bold else _kept(text)


def _kept(text: str) -> str:
    """Escape a text, with spaces at which no line breaks between a number and its unit: `6 x 20 L`."""
    return _WITH_UNIT.sub("\u00a0", escape(text))
