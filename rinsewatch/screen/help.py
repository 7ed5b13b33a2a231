"""The help page: keys, and the cautions of handling strong liquors."""

from __future__ import annotations

from rinsewatch.screen.keys import KEYMAP

# General laboratory practice; labels, safety data sheets and local rules always come first.
CAUTIONS = (
    "Caustic and acid burn: goggles, gloves, apron, and good ventilation.",
    "Add acid or caustic to water, never the reverse; slowly: it gets hot.",
    "Never mix strong liquors; neutralise diluted, cooled, a little at a time.",
    "On skin or in eyes: rinse with much water at once, then get medical help.",
    "Labels, safety data sheets and local codes come before what is said here.",
    "The treated water is not for drinking.",
    "A relay on a pump or valve is never the only safeguard.",
)
VERDICTS = (
    "RINSE ON: go on pouring. STOP: done. CHECK: the probe or meter is not to be trusted; no stop is",
    "called until you press c with the probe in the filtrate. STALLED: more of this water will not help.",
)


def help_lines() -> list[str]:
    """The whole page as plain paragraphs: keys in pairs, what the verdicts mean, cautions."""
    keys = [f"{'space' if key == ' ' else key:>6}  {action.value}" for key, action in KEYMAP.items()]
    half = (len(keys) + 1) // 2
    right = [*keys[half:], ""][:half]
    pairs = [f"{first:<42}{second}".rstrip() for first, second in zip(keys[:half], right, strict=True)]
    return [*pairs, " ".join(VERDICTS), *(f"! {caution}" for caution in CAUTIONS)]
