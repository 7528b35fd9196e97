"""Counts how often a missing card is found at shows that nobody played, and how often one is cried out in vain.

`scripts/campaign-numbers [N]` makes N shows of each kind and prints what `docs/frame-numbers.md` tells. Each show
has its number as seed, so a single one is made again with `--first SEED` and a count of 1.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass, field

from generated_shows import CardMade, Plan, Show, show_of

from tripleguard.frames.body_timeline import BodyHistory
from tripleguard.frames.gaps import Gap
from tripleguard.frames.number_gaps import DeletionHabit, GapLocation, GapVerdict
from tripleguard.frames.session import ShootingSession, assess_session

_MAKES_ROOM = DeletionHabit(explained_gaps=((GapLocation.BETWEEN_CARDS, 30), (GapLocation.BETWEEN_CARDS, 29)))
_TESTS = DeletionHabit(explained_gaps=((GapLocation.AFTER_PAUSE, 30), (GapLocation.AFTER_PAUSE, 29)))

HEAVY = Plan(deleted=0.3, culls=20, songs=4)

KINDS: dict[str, tuple[Plan, DeletionHabit]] = {
    "3 % deleted in the camera": (Plan(), DeletionHabit()),
    "nothing deleted": (Plan(deleted=0), DeletionHabit()),
    "3 %, and 4 culls of 10 to 60 frames a show": (Plan(culls=4), DeletionHabit()),
    "3 %, and the last 10 to 30 of every fourth card, to make room": (Plan(room=True), DeletionHabit()),
    "the same, once a person has explained two such holes": (Plan(room=True), _MAKES_ROOM),
    "3 %, and 1 to 30 test frames formatted away before the show": (Plan(tested=30), DeletionHabit()),
    "the same, once a person has explained two such holes ": (Plan(tested=30), _TESTS),
    "3 %, one body breaks, a spare takes over": (Plan(spare=True), DeletionHabit()),
    "3 %, a count is set back at a card change": (Plan(reset=True), DeletionHabit()),
    "3 %, a clock is put wrong by 1 or 2 hours": (Plan(clock="hours"), DeletionHabit()),
    "3 %, a clock falls back to the factory's date": (Plan(clock="years"), DeletionHabit()),
    "3 %, raws on one card, JPEGs on the other; a raw card missing": (Plan(slots="split"), DeletionHabit()),
    "3 %, raws on one card, JPEGs on the other; a JPEG card missing": (Plan(slots="split"), DeletionHabit()),
    "3 %, the same, a JPEG card missing of which there are two": (Plan(slots="split", cards=2), DeletionHabit()),
    "3 %, counting from 0001 on each card": (Plan(per_card=True), DeletionHabit()),
    "30 % deleted in the camera, 20 culls of 10 to 60 and 4 of 80 to 199": (HEAVY, DeletionHabit()),
    "3 %, the first body is put down up to 90 minutes early": (Plan(early=90), DeletionHabit()),
}

OTHERS_TELL = (GapLocation.AFTER_BODY, GapLocation.BEFORE_BODY, GapLocation.DURING_RESET)


@dataclass
class Tally:
    """What came of one kind of show. alarms: by verdict, over all clean shows; found: by which card and how.

    nights_cried: clean shows with at least one cry; asked: with the question how many cards there were.
    """

    shows: int = 0
    nights_cried: int = 0
    asked: int = 0
    alarms: Counter[GapVerdict] = field(default_factory=Counter)
    tried: Counter[str] = field(default_factory=Counter)
    found: Counter[str] = field(default_factory=Counter)
    looked: Counter[str] = field(default_factory=Counter)

    def a_show(self, verdict: GapVerdict) -> float:
        return self.alarms[verdict] / self.shows

    def share(self, which: str) -> float:
        """Of the cards that were left out, the share for which it was said that a card may be missing."""
        return self.found[which] / self.tried[which] if self.tried[which] else 0.0

    def seen(self, which: str) -> float:
        """The share for which at least a look was asked for."""
        return (self.found[which] + self.looked[which]) / self.tried[which] if self.tried[which] else 0.0


def campaign(
    plan: Plan, shows: int, first: int = 0, habit: DeletionHabit | None = None, end: str = "DNG"
) -> Tally:
    """Look at each show whole, and with its first, its middle and its last card of one body left out.

    end: how the files of those cards end; what else the body filled stays.
    """
    tally = Tally()
    for seed in range(first, first + shows):
        show = show_of(seed, plan)
        tally.shows += 1
        clean = night_of(show, habit=habit).gaps
        tally.alarms.update(doubt.verdict for doubt in clean)
        tally.nights_cried += any(doubt.verdict is GapVerdict.MISSING for doubt in clean)
        tally.asked += any(doubt.location is GapLocation.AFTER_BODY for doubt in clean)
        cards = [card for card in show.of(seed % plan.bodies) if card.parts[0].path.endswith(end)]
        if len(cards) < 2:
            continue
        for which, card in {"first": cards[0], "middle": cards[len(cards) // 2], "last": cards[-1]}.items():
            if which == "middle" and len(cards) < 3:
                continue
            doubts = [
                doubt for doubt in night_of(show, without=card, habit=habit).gaps if doubt.body_id == card.body
            ]
            tally.tried[which] += 1
            if any(_names(doubt, card) for doubt in doubts):
                tally.found[which] += 1
            elif any(
                doubt.location in (*OTHERS_TELL, GapLocation.BEFORE_COUNT) or _size_fits(doubt, card)
                for doubt in doubts
            ):
                tally.looked[which] += 1
    return tally


def night_of(
    show: Show, without: CardMade | None = None, told: int | None = None, habit: DeletionHabit | None = None
) -> ShootingSession:
    """What the numbers say of a show."""
    bodies = {
        body: BodyHistory(f"K{body}", last_frame=last, habit=habit or DeletionHabit())
        for body, last in show.before.items()
    }
    return assess_session(show.parts(without), [], bodies, told)


def _names(doubt: Gap, card: CardMade) -> bool:
    """Whether it says that a card may be missing, and means this one."""
    return doubt.verdict is GapVerdict.MISSING and doubt.location not in OTHERS_TELL and _size_fits(doubt, card)


def _size_fits(doubt: Gap, card: CardMade) -> bool:
    """Whether as many frames are missed as the card holds, or as it held before some were deleted."""
    counted = (card.shots[-1].number - card.shots[0].number) % 9999 + 1
    return len(card.shots) * 0.9 <= doubt.amount <= max(len(card.shots), counted) * 1.6 + 100


def main() -> None:
    parser = argparse.ArgumentParser(prog="scripts/campaign-numbers", description=__doc__.partition("\n")[0])
    parser.add_argument("shows", nargs="?", type=int, default=600)
    parser.add_argument("--first", type=int, default=0, metavar="SEED")
    asked = parser.parse_args()
    print(f"{asked.shows} shows of each kind, seeds from {asked.first}")
    print("| show | nights with a cry | looks | asked how many cards | first card | middle card | last card |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for name, (plan, habit) in KINDS.items():
        tally = campaign(plan, asked.shows, asked.first, habit, "JPG" if "a JPEG card missing" in name else "DNG")
        cells = [f"{tally.nights_cried / tally.shows:.3f}", f"{tally.a_show(GapVerdict.CHECK):.3f}"]
        cells.append(f"{tally.asked / tally.shows:.3f}")
        cells += [
            f"{tally.share(which):.3f} ({tally.seen(which):.3f})" if tally.tried[which] else "none"
            for which in ("first", "middle", "last")
        ]
        print(f"| {name.strip()} | {' | '.join(cells)} |", flush=True)


if __name__ == "__main__":
    main()
