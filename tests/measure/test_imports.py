"""What a trace imports before it looks at a photo: each library there is waited for every time."""

import subprocess
import sys

# What `measure trace` imports, and what draws its picture and report.
STEPS = "measure.request, measure.tracejob, measure.annotate, measure.drawprofile"


def test_a_trace_does_not_wait_for_scipy():
    found = subprocess.run(
        [sys.executable, "-c", f"import sys, {STEPS}; print('numpy' in sys.modules, *sys.modules)"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout.split()
    assert found[0] == "True"
    assert [name for name in found if name.startswith("scipy")] == []
