"""What takes long is done piece by piece: one a turn, so that a running vehicle's reply waits for one at most.

A piece is the message of a connection whose vehicle has not flown yet (an `open`, a first state with the first
solution of its burn), or a major cycle. Both are counted in integrator steps (`core.effort`), never in seconds.
"""

from __future__ import annotations

from typing import Final

from guidance_svc.core.effort import UNBOUNDED, Effort

PIECE_STEPS: Final = 160  # 2 ms without compiled kernels; a first solution takes 600 to 2400, a major cycle 30 to 50
MESSAGE_STEPS: Final = 80  # what a message counts that takes no steps: as an `open` does, 1 ms


class Pieces:
    """Says in each turn who may go on; the caller answers inside of `counted`."""

    def __init__(self) -> None:
        self._effort = Effort(UNBOUNDED)
        self._newcomers = 0
        self._newcomer_was_last = self._cycle_first = False

    def begin_turn(self, cycles_wait: bool) -> Effort:
        """Count anew what is computed inside.

        Args:
            cycles_wait: a major cycle is due; newcomers and cycles then have every other turn.
        """
        self._effort = Effort(UNBOUNDED)
        self._newcomers = 0
        self._cycle_first = cycles_wait and self._newcomer_was_last
        return self._effort

    def enough(self) -> bool:
        """Whether this turn has computed a piece's worth: what has been answered goes out first."""
        return self._effort.spent >= PIECE_STEPS

    def newcomer(self) -> bool:
        """Whether one more message of a connection whose vehicle has not flown is answered in this turn."""
        if self._cycle_first:
            return False
        return not self._newcomers or self._effort.spent + MESSAGE_STEPS * self._newcomers < PIECE_STEPS

    def answered_newcomer(self) -> None:
        """A newcomer was answered: the turn has had its costly piece."""
        self._newcomers += 1

    def cycle(self) -> bool:
        """Whether this turn has a major cycle, if one is due: not after a newcomer's message that was a piece."""
        self._newcomer_was_last = self._newcomers > 0 and self.enough()
        return not self._newcomer_was_last
