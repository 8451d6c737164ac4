"""The one place for colours and sizes, of pictures and pages alike.

Colours of data are Okabe and Ito's (2008): blue is measured, orange expected, grey uncertainty, and vermillion only a
loss that somebody should act on. None of them carries text, and each has a second cue: bars, an edged line, a band, a
hatch.
"""

from __future__ import annotations

MEASURED = "#0072B2"
EXPECTED = "#E69F00"
EXPECTED_EDGE = "#5C3F00"  # orange alone is too pale on white
UNCERTAINTY = "#D4D4D4"
LOSS = "#D55E00"
QUIET_LOSS = "#6B6B6B"
# What lets less of the sun through, from little to most of it.
SHADES = (("#4A4A4A", "less than 25% passes"), ("#7E7E7E", "25% to 50% passes"), ("#ABABAB", "50% to 80% passes"))
OPEN_SKY, UNSEEN_SKY = "seen in full sun", "sun not seen there yet"

# Pages: role to colour. A picture keeps its light ground in the dark.
LIGHT = {
    "page": "#F3F1EB",
    "sheet": "#FFFFFF",
    "ink": "#1D2328",
    "soft": "#565E65",
    "rule": "#D8D4C9",
    "tint": "#F7F5F0",
}
DARK = {
    "page": "#14171A",
    "sheet": "#1E2327",
    "ink": "#E9E6DF",
    "soft": "#AEB5BB",
    "rule": "#3B4248",
    "tint": "#262C31",
}

FIGURE_INCHES = (4.6, 2.5)
MONTH_INCHES = (4.0, 2.5)  # for people who read on a phone
SKY_INCHES, SKY_DPI = (3.7, 3.3), 190  # narrower than the rest, so that its words are read on a phone
FIGURE_DPI = 150
PROOF_DPI = 200  # pictures that are printed as well
FONT_POINTS = 9.5
PICTURE_WIDTH = 640  # CSS pixels at most
