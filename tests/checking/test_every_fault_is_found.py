"""Every faulty sensor of the simulators through the check: each fault by its name, nothing else."""

from __future__ import annotations

import pytest

from livefit.checking import NAMES, Report, check
from livefit.checking.listening import Listener
from simulators.faults import FINDINGS, fault_names, read_fault
from simulators.faulty import journey
from tests.checking.checked_examples import shipped

STARTED = 5_000.0
"""The receiver's clock at the first frame, s."""


def checked(name: str) -> Report:
    """What the check says of a ride that arrives as the fault has it."""
    fault = read_fault(name)
    ride = journey(fault, sent_at_0=STARTED)
    listener = Listener(fault.title, STARTED)
    end = STARTED + fault.seconds
    for parcel in ride.parcels:
        if parcel.due_s <= end:
            listener.take_raw(parcel.topic, parcel.raw, parcel.due_s)
    return check(listener.heard(end), shipped())[0]


def test_the_simulators_and_the_check_know_the_same_names() -> None:
    assert sorted(FINDINGS) == sorted(NAMES)


def test_every_finding_has_a_sensor_that_shows_it() -> None:
    shown = {name for fault in fault_names() for name in read_fault(fault).expect}
    assert shown == set(FINDINGS)


@pytest.mark.parametrize("name", fault_names())
def test_the_check_finds_the_fault_and_no_other(name: str) -> None:
    expected = set(read_fault(name).expect)
    report = checked(name)
    serious = {finding.name for finding in report.findings if finding.level != "note"}
    assert expected <= {finding.name for finding in report.findings}, report.findings
    faults = {finding.name for finding in report.findings if finding.level == "fault"}
    assert faults <= expected, report.findings
    if not expected:
        assert not serious, report.findings
