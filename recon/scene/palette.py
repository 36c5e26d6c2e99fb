"""Colours of drawings: Okabe M, Ito K (2008), Color universal design. Nothing is told by colour alone."""

from __future__ import annotations

BLACK = "#000000"
ORANGE = "#E69F00"
SKY_BLUE = "#56B4E9"
GREEN = "#009E73"
YELLOW = "#F0E442"
BLUE = "#0072B2"
VERMILLION = "#D55E00"
PURPLE = "#CC79A7"

GREY = "#6B7280"
PALE = "#D9DEE4"

HITTING = BLUE
TOSSING = ORANGE
TRUNK = "#3C4654"
RACKET = VERMILLION
BALL = YELLOW
SPINE_PLANE = SKY_BLUE
BASELINE_PLANE = PURPLE
FOOT = GREEN
GROUND = "#C3D2DF"
PAINT = "#FFFFFF"
