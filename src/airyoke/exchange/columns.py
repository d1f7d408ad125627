"""Every column of every sheet: what it is called, what may stand in it, what it means. Headers are matched
here.

Numbers take meaning, unit, accepted suffixes and ranges from the dictionary of quantities; the reader, the
template and its explanation all read this table.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from airyoke.exchange.tables import Cell, Table, clean_text
from airyoke.quantities import Finding, did_you_mean, is_quantity, quantity

Kind = Literal["number", "text", "choice", "list", "time", "any"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column. ``choices`` are the allowed words; ``example`` stands in the template's marked row."""

    key: str
    kind: Kind = "number"
    needed: bool = False
    choices: tuple[str, ...] = ()
    text: str = ""
    example: str | float | None = None

    @property
    def meaning(self) -> str:
        """What stands in the column, in one sentence."""
        parts = [quantity(self.key).meaning if is_quantity(self.key) else "", self.text]
        return "; ".join(part for part in parts if part)

    def headers(self) -> dict[str, str]:
        """Every header that names this column, with the unit the header states (empty for what is no
        number).
        """
        return quantity(self.key).columns() if is_quantity(self.key) else {self.key: ""}


_NUMBER: Final = "number"

# fmt: off
BEDS: Final[tuple[Column, ...]] = (
    Column("bed", "text", True, text="label of the place, unique", example="EXAMPLE-1"),
    Column("code", "text", text="the patient's local code; readings belong to it, not to the bed",
           example="P-001"),
    Column("read_at", "time", text="when the readings were taken, ISO 8601: 2026-11-25T14:10",
           example="2026-11-25T14:10"),
    Column("read_by", "text", text="who took the readings", example="RT-7"),
    Column("room", "text", text="beds in different rooms cannot share unless the policy says so",
           example="ICU-1"),
    Column("sex", "choice", True, ("f", "m"), "for the predicted body weight", "f"),
    Column("height_cm", needed=True, example=165),
    Column("passive", "choice", True, ("yes", "no", "possible"),
           "no breathing effort at all; possible = would need deep sedation or paralysis, a decision", "yes"),
    Column("mode", "choice", True, ("vc", "pc", "dual"),
           "how the readings were taken: volume control, pressure control, dual control", "vc"),
    Column("flow_shape", "choice", False, ("constant", "decelerating"),
           "volume control; a resistance is computed from constant flow only", "constant"),
    Column("rate_per_min", needed=True, example=20),
    Column("inspiratory_time_s", needed=True, example=1.0),
    Column("pause_s", example=0.3),
    Column("tidal_volume_ml", needed=True, example=380),
    Column("peep_cmh2o", needed=True, example=10),
    Column("total_peep_cmh2o", text="empty = a range is assumed, never the set value", example=11),
    Column("plateau_cmh2o", text="needed in vc", example=24),
    Column("peak_cmh2o", text="vc", example=32),
    Column("flow_l_per_min", text="vc", example=33),
    Column("pressure_above_peep_cmh2o", text="pc"),
    Column("resistance_cmh2o_s_per_l", text="if known"),
    Column("fio2", needed=True, example=0.5),
    Column("spo2_pct", text="this or pao2_mmhg is needed", example=94),
    Column("pao2_mmhg", text="this or spo2_pct is needed", example=72),
    Column("paco2_mmhg", example=46),
    Column("ph", example=7.36),
    Column("etco2_mmhg", example=39),
    Column("haemoglobin_g_per_dl", example=10.5),
    Column("tube_mm", example=7.5),
    Column("humidification", "choice", False, ("hme", "heated"), "heat and moisture exchanger, or heated",
           "hme"),
    Column("position", "choice", False, ("supine", "prone"), "proned patients share with proned", "supine"),
    Column("infection", "list", example="none-found",
           text="labels split by ; · two patients match only with equal sets, empty matches nobody"),
    Column("weight_kg", example=70),
    Column("age_years", example=58),
    Column("temperature_c", example=37.2),
    Column("minute_volume_l_per_min", example=7.6),
    Column("bicarbonate_mmol_per_l", example=25.5),
    Column("vasopressor", "choice", False, ("none", "low", "high", "rising"), "dose now", "low"),
    Column("conditions", "list", text="ids that `airyoke limits` lists, split by ; · never share, or ask"),
    Column("exclude", "text", text="free text why this patient must be alone; empty = may share"),
    Column("confirmed", "list", text="ids of findings of level ask that a person has answered, split by ;"),
    Column("ventilator", "text", text="the ventilator the patient is on now", example="EXAMPLE-V1"),
)

VENTILATORS: Final[tuple[Column, ...]] = (
    Column("ventilator", "text", True, text="label, unique", example="EXAMPLE-V1"),
    Column("room", "text", text="empty = can stand in any room", example="ICU-1"),
    Column("usable", "choice", False, ("yes", "no"), "passed its self-test and is at hand", "yes"),
    Column("modes", "list", False, ("vc", "pc"), "the modes it has, split by a space", "vc pc"),
    Column("pressure_reference", "choice", False, ("above_peep", "absolute"),
           "whether its dial shows the inspiratory pressure above PEEP or absolute", "above_peep"),
    Column("circuit_compensation", "choice", False, ("on", "off"),
           "whether it corrects volumes for the compressible volume of the circuit", "off"),
    Column("max_peak_flow_l_per_min", example=120),
    Column("min_rate_per_min"),
    Column("max_rate_per_min"),
    Column("min_inspiratory_time_s"),
    Column("max_inspiratory_time_s"),
    Column("max_pressure_cmh2o"),
    Column("max_peep_cmh2o"),
    Column("min_tidal_volume_ml"),
    Column("max_tidal_volume_ml"),
    Column("pressure_step_cmh2o"),
    Column("peep_step_cmh2o"),
    Column("rate_step_per_min"),
    Column("inspiratory_time_step_s"),
    Column("hold_sensor", "choice", False, ("inspiratory", "expiratory", "wye"),
           "where the pressure shown during a hold is measured", "inspiratory"),
)

STOCK: Final[tuple[Column, ...]] = (
    Column("part", "text", True, example="EXAMPLE part",
           text="name in the catalogue; `airyoke circuit --parts` lists them. A part that is not listed "
           "counts as 0; without this sheet everything counts as unlimited"),
    Column("count", needed=True, example=2),
)

POLICY: Final[tuple[Column, ...]] = (
    Column("name", "text", True, text="a limit of `airyoke limits` or a rule of this site",
           example="EXAMPLE name"),
    Column("value", "any", True, text="empty = the default", example=8),
)

COLUMNS: Final[dict[str, tuple[Column, ...]]] = {
    "beds": BEDS,
    "ventilators": VENTILATORS,
    "stock": STOCK,
    "policy": POLICY,
}
# fmt: on


@dataclass(frozen=True, slots=True)
class Place:
    """Where a column stands in one sheet, as its header was typed, and the unit that header names."""

    column: Column
    index: int
    header: str
    unit: str


@dataclass(frozen=True, slots=True)
class Row:
    """One row with something in it. ``number`` as a person sees it."""

    number: int
    cells: dict[str, Cell]


def normal_header(header: str) -> str:
    """A header without case and outer spaces: the only tolerance there is."""
    return (clean_text(header) or "").casefold()


def known_headers(sheet: str) -> set[str]:
    """Every header that the sheet may have."""
    return {header for column in COLUMNS[sheet] for header in column.headers()}


def match_header(table: Table) -> tuple[dict[str, Place], list[Finding]]:
    """Key -> place of each column, and what is wrong with the header (each of it makes the sheet
    unreadable).
    """
    header = table.rows[0] if table.rows else ()
    by_name = {
        name: (column, unit) for column in COLUMNS[table.sheet] for name, unit in column.headers().items()
    }
    places: dict[str, Place] = {}
    findings: list[Finding] = []

    def wrong(finding_id: str, reason: str, remedy: str, column: str | None) -> None:
        findings.append(
            Finding(
                finding_id,
                "refused",
                reason,
                remedy,
                file=table.file,
                sheet=table.sheet,
                row=1,
                column=column,
                value=column,
            )
        )

    for index, cell in enumerate(header):
        typed = cell if isinstance(cell, str) else None
        if typed is None:
            if cell is not None or any(index < len(row) and row[index] is not None for row in table.rows[1:]):
                wrong(
                    "column-unnamed",
                    f"column {index + 1} of {table.sheet} has values but no name",
                    "name it, or clear the column",
                    None if cell is None else str(cell),
                )
            continue
        match = by_name.get(normal_header(typed))
        if match is None:
            wrong(
                "column-unknown",
                f"{table.sheet} has no column {typed!r}",
                _header_remedy(typed, table.sheet),
                typed,
            )
            continue
        column, unit = match
        if column.key in places:
            first = places[column.key].header
            wrong(
                "column-twice",
                f"{first!r} and {typed!r} are the same quantity",
                "keep one of the two columns",
                typed,
            )
            continue
        places[column.key] = Place(column, index, typed, unit)
    first_key = COLUMNS[table.sheet][0].key
    if first_key not in places and not findings:
        wrong(
            "column-missing",
            f"{table.sheet} has no column {first_key!r}",
            "row 1 holds the names of the columns; `airyoke template` writes them",
            first_key,
        )
    return places, findings


def _header_remedy(typed: str, sheet: str) -> str:
    name = normal_header(typed)
    names = known_headers(sheet)
    for column in COLUMNS[sheet]:
        if column.kind == "number":
            row = quantity(column.key)
            bare = name.replace(" ", "_").partition("[")[0].strip("_")
            # The name without a unit, or with one that is not accepted: naming the nearest spelling would
            # guess it.
            if bare in {row.stem, row.symbol.casefold()} or name.startswith(f"{row.stem}_"):
                return f"did you mean {' or '.join(column.headers())}? The name says the unit"
    near = did_you_mean(name, names)
    listed = ", ".join(column.key for column in COLUMNS[sheet])
    return f"did you mean {near}?" if near else f"the columns of {sheet} are {listed}"


def rows_of(table: Table, places: dict[str, Place]) -> tuple[list[Row], list[Finding]]:
    """The rows with something in them, and rows that are longer than the header (their columns are
    shifted).
    """
    rows: list[Row] = []
    findings: list[Finding] = []
    width = len(table.rows[0]) if table.rows else 0
    for number, cells in enumerate(table.rows[1:], start=2):
        if all(cell is None for cell in cells):
            continue
        beyond = [cell for cell in cells[width:] if cell is not None]
        # In CSV an empty cell too many is one as well: a decimal comma between commas pushes everything right.
        if beyond or (table.separator is not None and len(cells) > width):
            remedy = "clear what stands right of the last named column"
            if table.separator is not None:
                remedy = (
                    "a comma or semicolon inside a cell needs quotation marks, and a decimal comma another "
                    f"separator than {table.separator!r}"
                )
            findings.append(
                Finding(
                    "row-too-long",
                    "refused",
                    "the row has more cells than the header: columns are shifted",
                    remedy,
                    file=table.file,
                    sheet=table.sheet,
                    row=number,
                    value=_shown(beyond[0]) if beyond else None,
                )
            )
            continue
        rows.append(Row(number, dict(_cells(cells, places))))
    return rows, findings


def _cells(cells: tuple[Cell, ...], places: dict[str, Place]) -> Iterator[tuple[str, Cell]]:
    for key, place in places.items():
        yield key, cells[place.index] if place.index < len(cells) else None


def _shown(cell: Cell) -> str | float | None:
    return cell if isinstance(cell, float | str) and not isinstance(cell, bool) else str(cell)
