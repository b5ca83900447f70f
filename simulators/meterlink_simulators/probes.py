"""A meter's two probes: their terminals, and the times of contact."""

from dataclasses import dataclass, field, replace
from random import Random

# A hand finding a spade terminal makes and breaks a few times a second. Common practice, no source.
_CONTACT_SECONDS = (0.04, 0.18)
_GAP_SECONDS = (0.03, 0.15)


@dataclass(frozen=True, slots=True)
class TerminalPair:
    """Two terminals: of one component, or ``second`` of ``second_component``, where both are wired.

    A clamp meter is on the lead at ``first``.
    """

    component: str
    first: str
    second: str
    second_component: str = ""


@dataclass(frozen=True, slots=True)
class Probes:
    """One meter's probes: on ``terminals`` (None: open) from ``attached_at``, s, except in ``gaps`` (begin, end)."""

    terminals: TerminalPair | None = None
    attached_at: float = 0.0
    gaps: tuple[tuple[float, float], ...] = field(default=())

    def contact_share(self, begin: float, end: float) -> float:
        """Return the share, 0 to 1, of the time from ``begin`` to ``end`` (s, end later) in which the probes touch."""
        if self.terminals is None:
            return 0.0
        begin_touching = max(begin, self.attached_at)
        touching = max(0.0, end - begin_touching)
        for gap_begin, gap_end in self.gaps:
            touching -= max(0.0, min(end, gap_end) - max(begin_touching, gap_begin))
        return min(1.0, max(0.0, touching) / (end - begin))

    def contact_start(self, now: float) -> float:
        """Return the begin of the present contact, s."""
        return max([self.attached_at, *(gap_end for _, gap_end in self.gaps if gap_end <= now)])

    def with_bounce(self, now: float, seconds: float, rng: Random) -> "Probes":
        """Return the probes with broken contact from ``now`` for ``seconds`` s, then firm contact."""
        gaps: list[tuple[float, float]] = []
        begin = max(now, self.attached_at) + rng.uniform(*_CONTACT_SECONDS)
        last = max(now, self.attached_at) + seconds
        while begin < last:
            end = min(last, begin + rng.uniform(*_GAP_SECONDS))
            gaps.append((begin, end))
            begin = end + rng.uniform(*_CONTACT_SECONDS)
        return replace(self, gaps=(*self.gaps, *gaps))
