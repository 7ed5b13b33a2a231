"""The help page: keys, and the cautions of handling strong liquors."""

from __future__ import annotations

from rinsewatch.screen.keys import KEYMAP

# General laboratory practice; labels, safety data sheets and local rules always come first.
CAUTIONS = (
    "Caustic and acid burn skin and eyes: wear goggles, gloves and an apron; work with ventilation.",
    "Always add acid or caustic to water, slowly, stirring; never water to the concentrate. It gets hot.",
    "Never mix the strong liquors. Neutralise only diluted, slowly, cooled, a little at a time.",
    "Burns: rinse with plenty of water at once and get help. Keep running water within reach.",
    "Labels, safety data sheets and local rules on handling and disposal come before anything said here.",
    "The treated water is not for drinking.",
    "A pump or valve switched by a relay needs its own safeguard: this screen is never the only one.",
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
    pairs = [f"{first:<38}{second}".rstrip() for first, second in zip(keys[:half], right, strict=True)]
    return [*pairs, " ".join(VERDICTS), *(f"! {caution}" for caution in CAUTIONS)]
