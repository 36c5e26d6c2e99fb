"""From measures to what a coach may say: rules in a readable file, judged with uncertainty over like serves.

In: rules.toml and serves. Out: verdicts, and the same as plain words. A rule describes movement; it is never a
diagnosis.
"""

from recon.findings.judge import Judged, judge, judge_all
from recon.findings.rules import RULES_FILE, Condition, Rule, load_rules
from recon.findings.shown import FindingCard, card_of

__all__ = [
    "RULES_FILE",
    "Condition",
    "FindingCard",
    "Judged",
    "Rule",
    "card_of",
    "judge",
    "judge_all",
    "load_rules",
]
