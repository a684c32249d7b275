import io
import time

import measure.progress
from measure.progress import StepWatch, quiet


def test_a_quick_step_says_nothing(monkeypatch):
    monkeypatch.setattr(measure.progress, "PATIENCE_S", 5.0)
    stream = io.StringIO()
    with StepWatch(stream, shown=True) as progress:
        progress("looking for the card")
        progress("fitting")
    assert stream.getvalue() == ""
    assert list(progress.seconds) == ["looking for the card", "fitting"]


def test_a_long_step_is_named_while_it_runs(monkeypatch):
    monkeypatch.setattr(measure.progress, "PATIENCE_S", 0.02)
    stream = io.StringIO()
    with StepWatch(stream, shown=True) as progress:
        progress("fitting")
        time.sleep(0.2)
        assert stream.getvalue() == "fitting ...\n"
    assert progress.seconds["fitting"] >= 0.2


def test_a_pipe_gets_no_chatter(monkeypatch):
    monkeypatch.setattr(measure.progress, "PATIENCE_S", 0.0)
    stream = io.StringIO()
    with StepWatch(stream) as progress:
        progress("fitting")
        time.sleep(0.05)
    assert stream.getvalue() == ""


def test_quiet_takes_a_step():
    assert quiet("fitting") is None
