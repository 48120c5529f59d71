"""A photograph sent for the wrong pump must not release it: the sheet's own code says where it belongs."""

import subprocess
import sys

from pipeline.join import connect
from pipeline.samples import find_samples


def test_a_sheet_printed_for_another_pump_is_no_evidence(tmp_path):
    home, photo = tmp_path / "home", find_samples().images / "b-0652.jpg"
    for pump in ("pump-a", "pump-b"):
        subprocess.run(
            [
                *(sys.executable, "-m", "pipeline", "import", str(photo), "--site", "hall-9"),
                *("--pump", pump, "--by", "M. Silva", "--home", str(home)),
            ],
            check=True,
            capture_output=True,
        )
    rows = connect(home).execute("SELECT pump, verdict, reasons FROM smear_tests ORDER BY pump").fetchall()
    (wrong, verdict, reasons), (right, passed, _) = rows
    assert (wrong, verdict, right, passed) == ("pump-a", "retake", "pump-b", "pass")
    assert "pump-b" in reasons[0]
