"""How does a ward get in, and what does an empty one look like?

Reads a workbook or a folder of CSV files into a ward with a finding for everything wrong or unusual; writes
the template with every column explained.
"""

from airyoke.exchange.template import write_template
from airyoke.exchange.ward_reader import read_ward
from airyoke.exchange.writer import write_tables

__all__ = ["read_ward", "write_tables", "write_template"]
