"""The cautions that go with recipes: one table, worded once.

Sources: DGUV Regel 109-003 6.1.1 and GisChem (skin and eyes), the UKLA/HSE good practice guide (premix, never neat
concentrate or plain water), DGUV-IFA (sampling while it circulates), US agencies' guidance (waste), 29 CFR 1910.147
(lock-out); the rest is common practice. They never replace local rules.
"""

from __future__ import annotations

from collections.abc import Iterable

CAUTIONS = {
    "stir": "Pour the concentrate into the water and stir; never water into concentrate.",
    "premix": "Never pour neat concentrate or plain water into a working sump.",
    "skin": "Wear gloves and eye protection; wash splashes off at once.",
    "lock_out": "Stop the machine and lock it out before you reach into the sump, the conveyor or the pump.",
    "slips": "Wipe up spills: wet floors are slippery. Keep electrical parts dry; full buckets and drums are heavy.",
    "circulate": "Let it circulate before you measure, and take the sample from the moving fluid.",
    "store": "Keep what you take out closed and labelled: fluid, strength, date, sump. "
    "Use it soon and only for the same fluid; never move fluid from a fouled sump.",
    "reuse": "Look at set-aside fluid and smell it before you use it; fluid that smells or shows layers is waste.",
    "waste": "Fluid you do not keep is waste: local rules decide, never the drain.",
    "leak": "Treat pressurised lines, hot parts and spilt fluid as dangerous until the machine is stopped.",
    "rules": "Local rules, the fluid's safety data sheet and trained staff come first.",
}


def cautions_for(topics: Iterable[str]) -> tuple[str, ...]:
    """Return the cautions of these topics in the table's order; local rules always close the list."""
    wanted = {*topics, "rules"}
    return tuple(text for topic, text in CAUTIONS.items() if topic in wanted)
