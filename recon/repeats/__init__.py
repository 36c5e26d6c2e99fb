"""Several serves of one player: how they scatter, what their mean is worth, and whether two series differ.

In: measured serves (`serve_of` a result). Out: records of numbers. Not here: what a coach may say
(recon.findings), pages and tables.
"""

from recon.repeats.likeness import like, like_groups, notes_on_labels
from recon.repeats.retest import Change, Retest, retest
from recon.repeats.series import Summary, summarise
from recon.repeats.serve import MeasuredServe, label_words, names_of, serve_of, youngest
from recon.repeats.systematic import COMMON_SHARE

__all__ = [
    "COMMON_SHARE",
    "Change",
    "MeasuredServe",
    "Retest",
    "Summary",
    "label_words",
    "like",
    "like_groups",
    "names_of",
    "notes_on_labels",
    "retest",
    "serve_of",
    "summarise",
    "youngest",
]
