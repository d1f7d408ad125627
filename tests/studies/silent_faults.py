"""Which faults of groups of two, three and four no alarm of the shared machine tells: ``python -m studies.silent_faults``.

Run it with ``tests`` on the path. The groups are those of ``faults.group_cases``, made up; 64 draws, seed 0.
"""

from __future__ import annotations

import sys
import time
from collections import defaultdict

from airyoke.faults.report import FaultReport, report_faults
from faults.group_cases import PRESSURE, case, volume

UNLIKELY = 0.05
# One more lung on the same circuit gets less at the same drive: each group has the drive that keeps its volumes.
DRIVES_CMH2O = {2: 17.0, 3: 18.5, 4: 20.0}


def group_report(patients: int, mode: str, draws: int = 64) -> FaultReport:
    drive = {**PRESSURE, "pressure_above_peep_cmh2o": DRIVES_CMH2O[patients]}
    one = case(patients, drive if mode == "pc" else volume(patients))
    return report_faults(one.patients, one.build, one.settings, draws=draws, structural=one.structural)


def main() -> None:
    for mode in ("pc", "vc"):
        for patients in (2, 3, 4):
            began = time.process_time()
            report = group_report(patients, mode)
            took = time.process_time() - began
            harmful = [one for one in report.findings if one.verdict is not None and one.standing != "harmless"]
            count: dict[str, int] = defaultdict(int)
            for one in harmful:
                count[one.standing] += 1
            print(f"{mode} {patients}: {len(report.findings)} faults, {len(harmful)} harm, {dict(count)}, {took:.1f} s CPU")
            silent = sorted({one.run.fault.id.rsplit(".", 1)[0] for one in harmful if one.standing == "silent"})
            print("  silent as dialled:", ", ".join(silent))
            never = sorted(
                {one.run.fault.id for one in harmful if one.best_caught is not None and one.best_caught < UNLIKELY}
            )
            print("  no limit within the accepted false alarms tells:", ", ".join(never) or "-")
            alarms = report.alarms
            for name, limits in (("dialled", alarms.planned), ("one patient", alarms.usual), ("best", alarms.best)):
                if limits is not None and limits.caught is not None:
                    print(f"  {name}: {100.0 * limits.caught:.0f} % of the harm told in time", end=";")
            print(flush=True)


if __name__ == "__main__":
    sys.exit(main())
