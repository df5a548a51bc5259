"""How often the likely causes of a flaw are right: made-up flaws with hidden causes, in tables.

python deploy/causes_table.py           prints the tables
python deploy/causes_table.py --write   puts them into dashboards/docs/causes.md
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from causes_cases import Case, cases
from document import Block

from service.shop.causes import Findings, Knowledge, Likely, score
from service.store.cause_file import load_causes

BLOCK = Block.of("causes.md", "causes_table.py")
SHOPS, SEED = 600, 20261129
HEADINGS = (
    "what is known", "hidden cause first", "among the first three", "*one stands out*",
    "and it is right", "*not enough data*",
)  # fmt: skip
OF_THE_AIR = {
    "blush_margin_k", "dew_margin_k", "rh_pct", "air_c", "cooled_k", "damp_after_pct", "swing_k",
    "coldest_c", "dried_pct", "wetted_pct", "wood_change_pct", "waited_part", "levelled_part",
    "rubbed_part", "handled_part",
}  # fmt: skip
"""What is not known where no sensor was: air, and every wait reckoned from it."""


@dataclass(frozen=True)
class Told:
    """A case, and what was said of it."""

    case: Case
    likely: Likely

    @property
    def place(self) -> int:
        """Place of the hidden cause in the list, from 1."""
        return [s.cause for s in self.likely.causes].index(self.case.cause) + 1


def told(made: Sequence[Case], knowledge: Knowledge) -> list[Told]:
    """Score every case whose cause may have that effect by the tool's table too."""
    return [Told(case, score(case.kind, case.findings, knowledge)) for case in made]


def nothing_known(made: Sequence[Case]) -> list[Case]:
    """Return the cases with nothing found: what is left is the priors."""
    return [replace(case, findings=Findings((), {})) for case in made]


def without_air(made: Sequence[Case]) -> list[Case]:
    """Return the cases as a shop without a sensor would know them."""

    def less(findings: Findings) -> Findings:
        coats = tuple(
            {name: found for name, found in coat.items() if name not in OF_THE_AIR}
            for coat in findings.coats
        )
        piece = {name: found for name, found in findings.piece.items() if name not in OF_THE_AIR}
        return Findings(coats, piece)

    return [replace(case, findings=less(case.findings)) for case in made]


def rate(found: Sequence[Told], first: int) -> float:
    """Share of cases whose hidden cause is among the first so many."""
    return float(np.mean([one.place <= first for one in found]))


def tables() -> str:
    """Return the tables as Markdown."""
    knowledge, made = load_causes(), list(cases(SHOPS, SEED))
    full, blind, bare = (
        told(some, knowledge) for some in (made, without_air(made), nothing_known(made))
    )
    lines = [
        f"{len(made):,} flaws of {SHOPS} shops, {12 * SHOPS:,} pieces.",
        "",
        "| " + " | ".join(HEADINGS) + " |",
        "|---" * len(HEADINGS) + "|",
        _rates("the whole record", full),
        _rates("no air, so no waits either", blind),
        _rates("nothing: the priors alone", bare),
        "",
        "| flaw | cases | first | first three | priors alone, first |",
        "|---|---|---|---|---|",
    ]
    kinds = Counter(one.case.kind for one in full)
    for kind, many in kinds.most_common():
        own = [one for one in full if one.case.kind == kind]
        guess = [one for one in bare if one.case.kind == kind]
        lines.append(
            f"| {kind.replace('_', ' ')} | {many} | {_pct(rate(own, 1))} | {_pct(rate(own, 3))} |"
            f" {_pct(rate(guess, 1))} |"
        )
    lines += ["", "| said | times | mean of what was said | came true |", "|---|---|---|---|"]
    lines += _reliability(full)
    lines += ["", "| hidden cause | cases | first | most often taken for |", "|---|---|---|---|"]
    lines += _confusions(full)
    return "\n".join(lines)


def _rates(name: str, found: Sequence[Told]) -> str:
    clear = [one for one in found if one.likely.verdict == "stands_out"]
    silent = [one for one in found if one.likely.verdict == "not_enough"]
    right = _pct(rate(clear, 1)) if clear else "–"
    return (
        f"| {name} | {_pct(rate(found, 1))} | {_pct(rate(found, 3))} |"
        f" {_pct(len(clear) / len(found))} | {right} | {_pct(len(silent) / len(found))} |"
    )


def _reliability(found: Sequence[Told]) -> list[str]:
    said = np.array([s.probability for one in found for s in one.likely.causes])
    true = np.array([s.cause == one.case.cause for one in found for s in one.likely.causes])
    lines = []
    for low in np.arange(0.0, 1.0, 0.1):
        here = (said >= low) & (said < low + 0.1 + 1e-9)
        if here.any():
            lines.append(
                f"| {100 * low:.0f} to {100 * low + 10:.0f} % | {here.sum():,} |"
                f" {_pct(float(said[here].mean()))} | {_pct(float(true[here].mean()))} |"
            )
    return lines


def _confusions(found: Sequence[Told]) -> list[str]:
    lines = []
    for cause, many in Counter(one.case.cause for one in found).most_common():
        own = [one for one in found if one.case.cause == cause]
        wrong = Counter(one.likely.causes[0].cause for one in own if one.place > 1)
        taken = ", ".join(f"{name.replace('_', ' ')} ({n})" for name, n in wrong.most_common(2))
        lines.append(
            f"| {cause.replace('_', ' ')} | {many} | {_pct(rate(own, 1))} | {taken or '–'} |"
        )
    return lines


def _pct(share: float) -> str:
    return f"{100 * share:.0f} %"


if __name__ == "__main__":
    BLOCK.print_or_write(tables)
