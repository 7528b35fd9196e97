"""Two published models of losing what is kept twice, as their authors wrote them.

They are here to be held against their own tables. What a person is told is counted in `losing`, which agrees with
the first where they speak of the same thing.

Patterson, Gibson and Katz, "A Case for Redundant Arrays of Inexpensive Disks", SIGMOD 1988. Baker et al., "A Fresh
Look at the Reliability of Long-term Digital Storage", EuroSys 2006. The formulas and example inputs were written
down from memory; the tables come out to the digit. Times are hours.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

YEAR = 8760.0
"""Hours, as both papers count."""


def array_life(disk_life: float, disks: int, group: int, check_disks: int, repair: float) -> float:
    """Mean time to data loss of an array (Patterson et al. 1988).

    disk_life: mean time to failure of one disk; disks: holding data; group: data disks in one group; check_disks:
    of one group; repair: mean time. Mirrored is group 1 with 1 check disk.
    """
    groups = disks / group
    return disk_life**2 / ((disks + check_disks * groups) * (group + check_disks - 1) * repair)


def exact_pair_life(disk_life: float, repair: float) -> float:
    """Mean time to data loss of one mirrored pair by its Markov chain, (3L + M) / (2 L^2)."""
    fails, mends = 1 / disk_life, 1 / repair
    return (3 * fails + mends) / (2 * fails**2)


@dataclass(frozen=True, slots=True)
class TwoCopies:
    """Inputs of Baker et al. 2006 for two copies, in hours.

    visible, latent: mean time to such a fault of a copy. visible_repair, latent_repair: mean time to repair.
    detect: mean time until a latent fault is found. independence: alpha, 1 where the copies share nothing.
    """

    visible: float
    latent: float
    visible_repair: float
    latent_repair: float
    detect: float
    independence: float = 1.0

    def life(self) -> float:
        """Mean time to data loss, both kinds of faults, short windows."""
        hidden = (self.latent_repair + self.detect) * self.visible
        return (
            self.independence
            * (self.latent * self.visible) ** 2
            / ((self.visible + self.latent) * (self.visible_repair * self.latent + hidden))
        )

    def life_by_steps(self) -> float:
        """The same, from the chance of a second fault in the window of the first."""
        window = self.latent_repair + self.detect
        after_visible = self.visible_repair * (1 / self.visible + 1 / self.latent) / self.independence
        after_latent = window * (1 / self.visible + 1 / self.latent) / self.independence
        return 1 / (after_visible / self.visible + after_latent / self.latent)

    def life_visible_only(self) -> float:
        """Where visible faults dominate: alpha MV^2 / MRV."""
        return self.independence * self.visible**2 / self.visible_repair

    def life_latent_only(self) -> float:
        """Where latent faults dominate: alpha ML^2 / (MRL + MDL). The paper's scrubbed examples."""
        return self.independence * self.latent**2 / (self.latent_repair + self.detect)

    def life_never_looked(self) -> float:
        """Few latent faults that nobody looks for: alpha MV^2 / (MRV + MV^2 / ML), as the paper has it.

        It scales the second term by alpha as well; `life_never_looked_capped` does not, and nothing that is told
        a person rests on either.
        """
        return self.independence * self.visible**2 / (self.visible_repair + self.visible**2 / self.latent)

    def life_never_looked_capped(self) -> float:
        """The same with the chance of a second fault after a latent one at 1, as a chance can be no more."""
        return 1 / (self.visible_repair / (self.independence * self.visible**2) + 1 / self.latent)


def life_of_copies(copies: int, visible: float, repair: float, independence: float = 1.0) -> float:
    """Mean time to data loss of so many copies, visible faults only (Baker et al. 2006)."""
    return independence ** (copies - 1) * visible**copies / repair ** (copies - 1)


def lost_within(life: float, time: float) -> float:
    """The chance of loss within a time, for a mean time to loss: 1 - exp(-time / life)."""
    return -math.expm1(-time / life)
