"""Where each piece of a planned circuit stands when it is unfolded: gas enters at the left and leaves at the right.

Each patient is a lane, one below the other; the wyes stand in one column, the patient hangs below the wye. What is
shared lies outside the lanes, left on the way in and right on the way out, so that no line crosses another. Units are
columns and rows; whoever draws decides how large they are.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from airyoke.circuit.assembly import EXPIRATORY_PORT, INSPIRATORY_PORT, Assembly
from airyoke.circuit.gas_path import GasPath, Lane, Passage, gas_path

HOSE_COLUMNS = 1.7
TRUNK_STEP, SPLITTER_STEP, BRANCH_STEP = 1.0, 1.6, 1.15
FIRST_ROW_BELOW_WYE = 1.0


@dataclass(frozen=True, slots=True)
class Place:
    """Centre of one piece, in columns and rows."""

    column: float
    row: float


@dataclass(frozen=True, slots=True)
class Hose:
    """The tubes of one limb as one stroke along a lane: where it starts and ends, and the pieces in it."""

    lane: str
    side: str
    start: Place
    finish: Place
    pieces: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Layout:
    """The unfolded circuit. ``routes``: places that gas passes, shared ones first: (lanes, side, places)."""

    places: dict[str, Place]
    hoses: tuple[Hose, ...]
    routes: tuple[tuple[str, str, tuple[Place, ...]], ...]
    columns: float
    rows: float


def layout(assembly: Assembly) -> Layout:
    """Places of every piece that gas passes; caps have none. Raises ``Refused`` where the joints make no circuit."""
    path = gas_path(assembly)
    deepest = max(len(lane.patient) for lane in path.lanes) + 1
    lane_rows = FIRST_ROW_BELOW_WYE + deepest + 1.6
    rows = {lane.letter: i * lane_rows for i, lane in enumerate(path.lanes)}
    return _Drafting(path, rows).layout(lane_rows)


class _Drafting:
    def __init__(self, path: GasPath, rows: dict[str, float]) -> None:
        self.path, self.rows = path, rows
        self.places: dict[str, Place] = {}
        self.hoses: list[Hose] = []

    def layout(self, lane_rows: float) -> Layout:
        entry = self._shared_columns("inspiratory")
        wye = entry + max(self._branch_columns(lane.inspiratory, "inspiratory") for lane in self.path.lanes)
        exit_ = wye + max(self._branch_columns(lane.expiratory, "expiratory") for lane in self.path.lanes)
        last = exit_ + self._shared_columns("expiratory")
        self._place_shared("inspiratory", 0.0, 1.0)
        self._place_shared("expiratory", last, -1.0)
        middle = sum(self.rows.values()) / len(self.rows)
        self.places[INSPIRATORY_PORT] = Place(0.0, self._row_beside(INSPIRATORY_PORT, "inspiratory", middle))
        self.places[EXPIRATORY_PORT] = Place(last, self._row_beside(EXPIRATORY_PORT, "expiratory", middle))
        for lane in self.path.lanes:
            row = self.rows[lane.letter]
            self.places[lane.wye.piece] = Place(wye, row)
            self._place_branch(lane, "inspiratory", wye, -1.0, entry - TRUNK_STEP)
            self._place_branch(lane, "expiratory", wye, 1.0, exit_ + TRUNK_STEP)
            chain = [step.piece for step in lane.patient] + [f"{lane.letter}.tube"]
            for i, piece in enumerate(chain):
                self.places[piece] = Place(wye, row + FIRST_ROW_BELOW_WYE + i)
        return Layout(self.places, tuple(self.hoses), tuple(self._routes()), last, len(self.rows) * lane_rows)

    def _steps(self, lane: Lane, side: str) -> tuple[Passage, ...]:
        """From the port towards the wye, on either side."""
        return lane.inspiratory if side == "inspiratory" else lane.expiratory[::-1]

    def _shared_columns(self, side: str) -> float:
        """Width of what is shared: the longest chain of shared pieces, splitters of one chain in one column."""
        return max(self._depth(lane, side)[-1] for lane in self.path.lanes) + TRUNK_STEP

    def _depth(self, lane: Lane, side: str) -> list[float]:
        """Column, counted from the port, of each shared piece on a lane's way.

        A splitter passed along its run opens no new column: the next one stands below it.
        """
        passed = self.path.lanes_through(side)
        depth, depths = 0.0, [0.0]
        below = after_splitter = False
        for step in self._steps(lane, side):
            splits = self._splits(step.piece)
            if passed[step.piece] == 1 and not splits:
                break
            # Two splitters without a sleeve between them need room for their names.
            depth += 0.0 if below else (SPLITTER_STEP if splits and after_splitter else TRUNK_STEP)
            depths.append(depth)
            after_splitter = splits
            if splits:
                below = self._along_run(step)
        return depths

    def _splits(self, piece: str) -> bool:
        return self.path.assembly.part(piece).kind in ("wye", "tee")

    def _along_run(self, step: Passage) -> bool:
        return {step.enters, step.leaves} == {"run-a", "run-b"}

    def _place_shared(self, side: str, start: float, direction: float) -> None:
        passed = self.path.lanes_through(side)
        for lane in self.path.lanes:
            shared = [step for step in self._steps(lane, side) if passed[step.piece] > 1 or self._splits(step.piece)]
            rows = self._shared_rows(lane, side)
            for step, depth, row in zip(shared, self._depth(lane, side)[1:], rows, strict=False):
                self.places.setdefault(step.piece, Place(start + direction * depth, row))

    def _shared_rows(self, lane: Lane, side: str) -> Iterable[float]:
        """Row of each shared piece: the middle of its lanes in a tree, level with its branch in a chain."""
        passed = self.path.lanes_through(side)
        for step in self._steps(lane, side):
            if passed[step.piece] == 1 and not self._splits(step.piece):
                return
            yield self._row_of(step.piece, side)

    def _row_of(self, piece: str, side: str) -> float:
        served = [
            lane.letter for lane in self.path.lanes if any(step.piece == piece for step in self._steps(lane, side))
        ]
        rows = [self.rows[letter] for letter in served]
        if self._splits(piece) and self._is_chain(piece, side):
            return min(rows)
        if self._splits(piece):
            return sum(self._heads(served, piece, side)) / 2.0
        following = self._next_splitter(served[0], piece, side)
        if following is None:
            return sum(rows) / len(rows)
        row = self._row_of(following, side)
        if self._comes_down_a_run(served[0], piece, side):
            return row - 1.5  # on the vertical run between two T-pieces
        return row

    def _is_chain(self, piece: str, side: str) -> bool:
        """Whether some lane passes this splitter along its run."""
        return any(
            self._along_run(step) for lane in self.path.lanes for step in self._steps(lane, side) if step.piece == piece
        )

    def _heads(self, served: list[str], piece: str, side: str) -> tuple[float, float]:
        """Rows of the two things that a splitter divides into."""
        groups: dict[str, list[float]] = {}
        for lane in self.path.lanes:
            if lane.letter in served:
                step = next(step for step in self._steps(lane, side) if step.piece == piece)
                leg = step.leaves if side == "inspiratory" else step.enters
                groups.setdefault(leg, []).append(self.rows[lane.letter])
        centres = [sum(rows) / len(rows) for rows in groups.values()]
        return centres[0], centres[-1]

    def _next_splitter(self, letter: str, piece: str, side: str) -> str | None:
        lane = next(one for one in self.path.lanes if one.letter == letter)
        names = [step.piece for step in self._steps(lane, side)]
        after = names[names.index(piece) + 1 :]
        return next((name for name in after if self._splits(name)), None)

    def _comes_down_a_run(self, letter: str, piece: str, side: str) -> bool:
        """Whether the splitter before a piece was passed along its run."""
        lane = next(one for one in self.path.lanes if one.letter == letter)
        before = None
        for step in self._steps(lane, side):
            if step.piece == piece:
                break
            before = step if self._splits(step.piece) else before
        return before is not None and self._along_run(before)

    def _row_beside(self, port: str, side: str, middle: float) -> float:
        first = self._steps(self.path.lanes[0], side)
        near = next((step.piece for step in first if step.piece in self.places), None)
        return self.places[near].row if near is not None else middle

    def _branch_columns(self, steps: tuple[Passage, ...], side: str) -> float:
        own = self._own(steps, side)
        fittings = sum(not self._in_hose(step.piece) for step in own)
        return BRANCH_STEP * fittings + HOSE_COLUMNS + 0.6

    def _own(self, steps: tuple[Passage, ...], side: str) -> list[Passage]:
        passed = self.path.lanes_through(side)
        alone = len(self.path.lanes) == 1
        return [step for step in steps if (passed[step.piece] == 1 or alone) and not self._splits(step.piece)]

    def _in_hose(self, piece: str) -> bool:
        kind = self.path.assembly.part(piece).kind
        return kind == "tube" or (kind == "sleeve" and ".connector" in piece)

    def _place_branch(self, lane: Lane, side: str, wye: float, direction: float, edge: float) -> None:
        """From the wye outwards: fittings a step apart, the tubes as one hose; the outermost hose ends at ``edge``."""
        row = self.rows[lane.letter]
        steps = self._own(lane.inspiratory, side)[::-1] if side == "inspiratory" else self._own(lane.expiratory, side)
        column = wye + 0.3 * direction
        hose: list[str] = []
        for step in steps:
            if self._in_hose(step.piece):
                hose.append(step.piece)
                continue
            if hose:
                far = column + HOSE_COLUMNS * direction
                self._lay_hose(lane.letter, side, hose, Place(column, row), Place(far, row))
                column, hose = far, []
            column += BRANCH_STEP * direction * (0.65 if abs(column - wye) < 0.5 else 0.75)
            self.places[step.piece] = Place(column, row)
            column += BRANCH_STEP * direction * 0.25
        if hose:
            self._lay_hose(lane.letter, side, hose, Place(column, row), Place(edge, row))

    def _lay_hose(self, lane: str, side: str, pieces: list[str], start: Place, finish: Place) -> None:
        self.hoses.append(Hose(lane, side, start, finish, tuple(pieces)))

    def _routes(self) -> Iterable[tuple[str, str, tuple[Place, ...]]]:
        """Polylines of the gas: each lane's way in, way out and way to the patient, through the places."""
        for lane in self.path.lanes:
            wye = self.places[lane.wye.piece]
            for side, port in (("inspiratory", INSPIRATORY_PORT), ("expiratory", EXPIRATORY_PORT)):
                through = [self.places[port]]
                through += [self.places[step.piece] for step in self._steps(lane, side) if step.piece in self.places]
                yield lane.letter, side, (*through, wye)
            chain = [self.places[step.piece] for step in lane.patient]
            yield lane.letter, "patient", (wye, *chain, self.places[f"{lane.letter}.tube"])
