"""Colors of documents: the Okabe-Ito set, told apart with any color vision (Okabe & Ito 2008), with
line styles as a second cue; conditions are named beside their colors."""

from __future__ import annotations

from logbench.analysis.model import Condition, Verdict

BLACK, ORANGE, SKY, GREEN, YELLOW, BLUE, VERMILLION, PURPLE = (
    "#000000",
    "#E69F00",
    "#56B4E9",
    "#009E73",
    "#F0E442",
    "#0072B2",
    "#D55E00",
    "#CC79A7",
)
LINE_COLORS = (BLUE, VERMILLION, GREEN, PURPLE, ORANGE, BLACK)
CONDITION_COLORS = {
    Condition.KEY_ON: "#BBBBBB",
    Condition.CRANKING: BLACK,
    Condition.COLD_IDLE: SKY,
    Condition.WARM_IDLE: GREEN,
    Condition.FAST_IDLE: YELLOW,
    Condition.CRUISE: BLUE,
    Condition.ACCELERATION: ORANGE,
    Condition.FULL_THROTTLE: VERMILLION,
    Condition.FUEL_CUT: PURPLE,
    Condition.ENGINE_OFF: "#DDDDDD",
    Condition.OTHER: "#F2F2F2",
}
VERDICT_COLORS = {Verdict.WATCH: ORANGE, Verdict.ACT: VERMILLION}
"""What a finding's evidence is shaded with."""
FALLING, LEVEL, RISING = "#B35806", "#F7F7F7", "#542788"
"""Ends and middle of a diverging scale (ColorBrewer PuOr), told apart with any color vision."""
