"""Two published models of data loss with two copies, as their authors wrote them.

They are here to be compared with their own published tables. What is reported to a person is computed in
`loss_risk`, which agrees with the first model where both describe the same thing.

Patterson, Gibson and Katz, "A Case for Redundant Arrays of Inexpensive Disks", SIGMOD 1988. Baker et al., "A Fresh
Look at the Reliability of Long-term Digital Storage", EuroSys 2006. The formulas and example inputs were written
down from memory; the tables come out to the digit. Times are hours.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

HOURS_PER_YEAR = 8760.0
"""Hours, as both papers count."""


def compute_array_life(disk_life: float, disks: int, group: int, check_disks: int, repair_time: float) -> float:
    """Mean time to data loss of an array (Patterson et al. 1988).

    disk_life: mean time to failure of one disk; disks: holding data; group: data disks in one group; check_disks:
    of one group; repair: mean time. Mirrored is group 1 with 1 check disk.
    """
    groups = disks / group
    return disk_life**2 / ((disks + check_disks * groups) * (group + check_disks - 1) * repair_time)


def compute_pair_life(disk_life: float, repair_time: float) -> float:
    """Mean time to data loss of one mirrored pair by its Markov chain, (3L + M) / (2 L^2)."""
    fails, mends = 1 / disk_life, 1 / repair_time
    return (3 * fails + mends) / (2 * fails**2)


@dataclass(frozen=True, slots=True)
class TwoCopyModel:
    """Inputs of Baker et al. 2006 for two copies, in hours.

    visible, latent: mean time to such a fault of a copy. visible_repair, latent_repair: mean time to repair.
    detect: mean time until a latent fault is found. independence: alpha, 1 where the copies share nothing.
    """

    visible: float
    latent: float
    visible_repair: float
    latent_repair: float
    detection: float
    independence: float = 1.0

    def get_life(self) -> float:
        """Mean time to data loss, both kinds of faults, short windows."""
        hidden = (self.latent_repair + self.detection) * self.visible
        return (
            self.independence
            * (self.latent * self.visible) ** 2
            / ((self.visible + self.latent) * (self.visible_repair * self.latent + hidden))
        )

    def get_life_by_steps(self) -> float:
        """The same, from the chance of a second fault in the window of the first."""
        window = self.latent_repair + self.detection
        after_visible = self.visible_repair * (1 / self.visible + 1 / self.latent) / self.independence
        after_latent = window * (1 / self.visible + 1 / self.latent) / self.independence
        return 1 / (after_visible / self.visible + after_latent / self.latent)

    def get_life_visible_only(self) -> float:
        """Where visible faults dominate: alpha MV^2 / MRV."""
        return self.independence * self.visible**2 / self.visible_repair

    def get_life_latent_only(self) -> float:
        """Where latent faults dominate: alpha ML^2 / (MRL + MDL). The paper's scrubbed examples."""
        return self.independence * self.latent**2 / (self.latent_repair + self.detection)

    def get_life_without_scrubbing(self) -> float:
        """Few latent faults that nobody looks for: alpha MV^2 / (MRV + MV^2 / ML), as the paper has it.

        It scales the second term by alpha as well; `get_life_without_scrubbing_capped` does not, and nothing that
        is told a person rests on either.
        """
        return self.independence * self.visible**2 / (self.visible_repair + self.visible**2 / self.latent)

    def get_life_without_scrubbing_capped(self) -> float:
        """The same with the chance of a second fault after a latent one at 1, as a chance can be no more."""
        return 1 / (self.visible_repair / (self.independence * self.visible**2) + 1 / self.latent)


def compute_life_of_copies(copies: int, visible: float, repair: float, independence: float = 1.0) -> float:
    """Mean time to data loss of so many copies, visible faults only (Baker et al. 2006)."""
    return independence ** (copies - 1) * visible**copies / repair ** (copies - 1)


def get_chance_within(life: float, time: float) -> float:
    """The chance of loss within a time, for a mean time to loss: 1 - exp(-time / life)."""
    return -math.expm1(-time / life)
