"""Two published models of data loss with two copies, as their authors wrote them.

They serve for comparison with their own published tables. What is reported to a person is computed in `loss_risk`,
which agrees with the first model where both describe the same thing.

Patterson, Gibson and Katz, "A Case for Redundant Arrays of Inexpensive Disks", SIGMOD 1988. Baker et al., "A Fresh
Look at the Reliability of Long-term Digital Storage", EuroSys 2006. The formulas and example inputs were written
down from memory; the results equal the published tables in every digit. Times are hours.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

HOURS_PER_YEAR = 8760.0
"""As both papers count."""


def compute_array_life(disk_life: float, disks: int, group: int, check_disks: int, repair_time: float) -> float:
    """Return the mean time to data loss of an array (Patterson et al. 1988).

    Args:
        disk_life: mean time to failure of one disk.
        disks: disks that hold data.
        group: data disks in one group; 1 for mirroring.
        check_disks: check disks in one group; 1 for mirroring.
        repair_time: mean time to repair.
    """
    groups = disks / group
    return disk_life**2 / ((disks + check_disks * groups) * (group + check_disks - 1) * repair_time)


def compute_pair_life(disk_life: float, repair_time: float) -> float:
    """Return the mean time to data loss of one mirrored pair by its Markov chain, (3L + M) / (2 L^2)."""
    fails, repairs = 1 / disk_life, 1 / repair_time
    return (3 * fails + repairs) / (2 * fails**2)


@dataclass(frozen=True, slots=True)
class TwoCopyModel:
    """Inputs of Baker et al. 2006 for two copies, in hours.

    They are the mean times to a fault, to its detection, and to its repair. `independence` is the paper's alpha:
    1 if the copies share no cause of failure.
    """

    visible: float
    latent: float
    visible_repair: float
    latent_repair: float
    detection: float
    independence: float = 1.0

    def get_life(self) -> float:
        """Return the mean time to data loss for both kinds of faults and short windows."""
        hidden = (self.latent_repair + self.detection) * self.visible
        return (
            self.independence
            * (self.latent * self.visible) ** 2
            / ((self.visible + self.latent) * (self.visible_repair * self.latent + hidden))
        )

    def get_life_by_steps(self) -> float:
        """Return the same, from the chance of a second fault in the window of the first."""
        window = self.latent_repair + self.detection
        after_visible = self.visible_repair * (1 / self.visible + 1 / self.latent) / self.independence
        after_latent = window * (1 / self.visible + 1 / self.latent) / self.independence
        return 1 / (after_visible / self.visible + after_latent / self.latent)

    def get_life_visible_only(self) -> float:
        """Return the life if visible faults dominate: alpha MV^2 / MRV."""
        return self.independence * self.visible**2 / self.visible_repair

    def get_life_latent_only(self) -> float:
        """Return the life if latent faults dominate: alpha ML^2 / (MRL + MDL). The paper's scrubbed examples."""
        return self.independence * self.latent**2 / (self.latent_repair + self.detection)

    def get_life_without_scrubbing(self) -> float:
        """Return the life with few latent faults and no scrubbing.

        It is alpha MV^2 / (MRV + MV^2 / ML), as in the paper.

        The paper scales the second term by alpha as well; `get_life_without_scrubbing_capped` does not. No
        reported result depends on either.
        """
        return self.independence * self.visible**2 / (self.visible_repair + self.visible**2 / self.latent)

    def get_life_without_scrubbing_capped(self) -> float:
        """Return the same with the chance of a second fault after a latent one limited to 1."""
        return 1 / (self.visible_repair / (self.independence * self.visible**2) + 1 / self.latent)


def compute_life_of_copies(copies: int, visible: float, repair: float, independence: float = 1.0) -> float:
    """Return the mean time to data loss of a number of copies, visible faults only (Baker et al. 2006)."""
    return independence ** (copies - 1) * visible**copies / repair ** (copies - 1)


def get_chance_within(life: float, time: float) -> float:
    """Return the chance of loss within a time, for a mean time to loss: 1 - exp(-time / life)."""
    return -math.expm1(-time / life)
