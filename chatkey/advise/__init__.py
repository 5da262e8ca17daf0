"""What a name means here: status, planting, alternatives, cautions."""

from chatkey.advise.caution import cautions_for, filled, filled_short, lines_at, subject_cautions
from chatkey.advise.planting import Alternative, alternatives, planting_facts
from chatkey.advise.spacing import Cover, cover, heel_in_days
from chatkey.advise.status import StatusHere, listed, status_here

__all__ = [
    "Alternative",
    "Cover",
    "StatusHere",
    "alternatives",
    "cautions_for",
    "cover",
    "filled",
    "filled_short",
    "heel_in_days",
    "lines_at",
    "listed",
    "planting_facts",
    "status_here",
    "subject_cautions",
]
