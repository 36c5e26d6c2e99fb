"""Judging board footage while it is being filmed: what is good, what is still missing, and when it is enough.

finder, rough_lens, coverage     the board in one picture; a lens from the views so far; what they cover
plan                             where the board should go next
judge                            one camera's running judge
together                         which cameras saw the board at the same moment
mp4_boxes, follow, live          pictures from growing files, folders, devices and streams
words, picture, session          what is said and drawn, and all sources at once
"""

from calibration.guide.follow import Arrival, Patience, follow
from calibration.guide.judge import Judge, Judged, Standing, Verdict
from calibration.guide.live import arrivals
from calibration.guide.plan import Suggestion
from calibration.guide.session import GuideSession, Source, Watch, sources_of
from calibration.guide.together import SharedStanding
from calibration.guide.words import REJECTED, VERDICT_WORDS, advice, counted, uncertainty_words

__all__ = [
    "REJECTED",
    "VERDICT_WORDS",
    "Arrival",
    "GuideSession",
    "Judge",
    "Judged",
    "Patience",
    "SharedStanding",
    "Source",
    "Standing",
    "Suggestion",
    "Verdict",
    "Watch",
    "advice",
    "arrivals",
    "counted",
    "follow",
    "sources_of",
    "uncertainty_words",
]
