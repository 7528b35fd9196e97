"""Counts how often a missing card is found at shows that nobody played, and how often one is cried out in vain.

`scripts/campaign-numbers [N]` makes N shows of each kind and prints what `docs/frame-numbers.md` tells. Each show
has its number as seed, so a single one is made again with `--first SEED` and a count of 1.
"""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import dataclass, field

from shows import CardMade, Plan, Show, show_of

from tripleguard.cameras.doubts import Doubt
from tripleguard.cameras.holes import Habit, Verdict, Where
from tripleguard.cameras.night import Night, look_at_night
from tripleguard.cameras.rows import Known

_MAKES_ROOM = Habit(explained=((Where.BETWEEN, 30), (Where.BETWEEN, 29)))
_TESTS = Habit(explained=((Where.BEFORE, 30), (Where.BEFORE, 29)))

HEAVY = Plan(deleted=0.3, culls=20, songs=4)

KINDS: dict[str, tuple[Plan, Habit]] = {
    "3 % deleted in the camera": (Plan(), Habit()),
    "nothing deleted": (Plan(deleted=0), Habit()),
    "3 %, and 4 culls of 10 to 60 frames a show": (Plan(culls=4), Habit()),
    "3 %, and the last 10 to 30 of every fourth card, to make room": (Plan(room=True), Habit()),
    "the same, once a person has explained two such holes": (Plan(room=True), _MAKES_ROOM),
    "3 %, and 1 to 30 test frames formatted away before the show": (Plan(tested=30), Habit()),
    "the same, once a person has explained two such holes ": (Plan(tested=30), _TESTS),
    "3 %, one body breaks, a spare takes over": (Plan(spare=True), Habit()),
    "3 %, a count is set back at a card change": (Plan(reset=True), Habit()),
    "3 %, a clock is put wrong by 1 or 2 hours": (Plan(clock="hours"), Habit()),
    "3 %, a clock falls back to the factory's date": (Plan(clock="years"), Habit()),
    "3 %, raws on one card, JPEGs on the other; a raw card missing": (Plan(slots="split"), Habit()),
    "3 %, raws on one card, JPEGs on the other; a JPEG card missing": (Plan(slots="split"), Habit()),
    "3 %, the same, a JPEG card missing of which there are two": (Plan(slots="split", cards=2), Habit()),
    "3 %, counting from 0001 on each card": (Plan(per_card=True), Habit()),
    "30 % deleted in the camera, 20 culls of 10 to 60 and 4 of 80 to 199": (HEAVY, Habit()),
    "3 %, the first body is put down up to 90 minutes early": (Plan(early=90), Habit()),
}

OTHERS_TELL = (Where.END, Where.BEGIN, Where.PAUSE)


@dataclass
class Tally:
    """What came of one kind of show. alarms: by verdict, over all clean shows; found: by which card and how.

    nights_cried: clean shows with at least one cry; asked: with the question how many cards there were.
    """

    shows: int = 0
    nights_cried: int = 0
    asked: int = 0
    alarms: Counter[Verdict] = field(default_factory=Counter)
    tried: Counter[str] = field(default_factory=Counter)
    found: Counter[str] = field(default_factory=Counter)
    looked: Counter[str] = field(default_factory=Counter)

    def a_show(self, verdict: Verdict) -> float:
        return self.alarms[verdict] / self.shows

    def share(self, which: str) -> float:
        """Of the cards that were left out, the share for which it was said that a card may be missing."""
        return self.found[which] / self.tried[which] if self.tried[which] else 0.0

    def seen(self, which: str) -> float:
        """The share for which at least a look was asked for."""
        return (self.found[which] + self.looked[which]) / self.tried[which] if self.tried[which] else 0.0


def campaign(plan: Plan, shows: int, first: int = 0, habit: Habit | None = None, end: str = "DNG") -> Tally:
    """Look at each show whole, and with its first, its middle and its last card of one body left out.

    end: how the files of those cards end; what else the body filled stays.
    """
    tally = Tally()
    for seed in range(first, first + shows):
        show = show_of(seed, plan)
        tally.shows += 1
        clean = night_of(show, habit=habit).doubts
        tally.alarms.update(doubt.verdict for doubt in clean)
        tally.nights_cried += any(doubt.verdict is Verdict.MISSING for doubt in clean)
        tally.asked += any(doubt.where is Where.END for doubt in clean)
        cards = [card for card in show.of(seed % plan.bodies) if card.parts[0].path.endswith(end)]
        if len(cards) < 2:
            continue
        for which, card in {"first": cards[0], "middle": cards[len(cards) // 2], "last": cards[-1]}.items():
            if which == "middle" and len(cards) < 3:
                continue
            doubts = [
                doubt for doubt in night_of(show, without=card, habit=habit).doubts if doubt.body == card.body
            ]
            tally.tried[which] += 1
            if any(_names(doubt, card) for doubt in doubts):
                tally.found[which] += 1
            elif any(doubt.where in (*OTHERS_TELL, Where.START) or _size_fits(doubt, card) for doubt in doubts):
                tally.looked[which] += 1
    return tally


def night_of(
    show: Show, without: CardMade | None = None, told: int | None = None, habit: Habit | None = None
) -> Night:
    """What the numbers say of a show."""
    bodies = {body: Known(f"K{body}", last=last, habit=habit or Habit()) for body, last in show.before.items()}
    return look_at_night(show.parts(without), [], bodies, told)


def _names(doubt: Doubt, card: CardMade) -> bool:
    """Whether it says that a card may be missing, and means this one."""
    return doubt.verdict is Verdict.MISSING and doubt.where not in OTHERS_TELL and _size_fits(doubt, card)


def _size_fits(doubt: Doubt, card: CardMade) -> bool:
    """Whether as many frames are missed as the card holds, or as it held before some were deleted."""
    counted = (card.shots[-1].number - card.shots[0].number) % 9999 + 1
    return len(card.shots) * 0.9 <= doubt.frames <= max(len(card.shots), counted) * 1.6 + 100


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
        cells = [f"{tally.nights_cried / tally.shows:.3f}", f"{tally.a_show(Verdict.LOOK):.3f}"]
        cells.append(f"{tally.asked / tally.shows:.3f}")
        cells += [
            f"{tally.share(which):.3f} ({tally.seen(which):.3f})" if tally.tried[which] else "none"
            for which in ("first", "middle", "last")
        ]
        print(f"| {name.strip()} | {' | '.join(cells)} |", flush=True)


if __name__ == "__main__":
    main()
