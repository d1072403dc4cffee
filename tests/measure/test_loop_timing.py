"""Loop timing on ticks drawn from closed forms: the longest gap, what went on, missed ticks, drift, and refusals."""

import numpy as np
import pytest

from hil.measure.evidence import Drive, Event, Evidence, HostTime, Samples
from hil.measure.method import Parameters
from hil.measure.methods import METHODS
from hil.measure.model import CellPose, Heading
from hil.measure.values import CannotMeasureError

START = CellPose(x=0, y=0, heading=Heading.NORTH)


def segment(periods, name="ticks", labels=None, events=(), rows=None, begin_s=10.0, conditions=None):
    end = begin_s + np.cumsum(periods)
    samples = rows or {
        "tick": Samples(host_s=end + 50, values={"time": end, "loop.periods": np.asarray(periods, dtype=float)})
    }
    return Drive(
        name=name, case="c", repeat=0, path=(), front="counts", speed_mm_s=0.0, start=START, samples=samples,
        events=tuple(events), labels=labels or {}, conditions=conditions or {},
    )  # fmt: skip


@pytest.fixture
def measure(corridor, drawing):
    robot = drawing(course=corridor).robot

    def run(name, *drives, host=None, **numbers):
        evidence = Evidence(robot=robot, course=corridor, drives=drives, host_time=host or HostTime())
        return METHODS[f"loop.{name}"].run(evidence, Parameters(numbers=numbers))

    return run


def steady(n=4000, period=0.001, sd=8e-6, seed=1):
    """Ticks at times k T + release jitter, so that periods alternate about T."""
    release = np.random.default_rng(seed).normal(0, sd, n + 1)
    return period + np.diff(release)


def test_a_steady_loop_has_its_period_and_no_missed_tick(measure):
    ticks = segment(steady())
    assert measure("median", ticks).value == pytest.approx(1.0, abs=0.001)
    assert measure("missed", ticks).value == 0
    assert measure("late", ticks).n == 4000
    assert measure("percentile", ticks, percent=99.9).value < 106
    # Release jitter of 8 us makes periods scatter by its root two.
    assert measure("jitter", ticks).value == pytest.approx(100 * 0.008 * 2**0.5, rel=0.05)


def test_a_pause_is_the_longest_gap_and_is_named_with_what_the_robot_did(measure):
    quiet, busy = steady(), steady(seed=2)
    busy[1234] += 0.0042
    at = 10.0 + float(np.sum(busy[:1235]))
    worst = segment(
        busy, "flash", {"provocation": "flash-write"}, [Event(name="turn.begin", time_s=at + 0.004, host_s=0.0)]
    )
    found = measure("longest", segment(quiet, "rest"), worst)
    assert found.value == pytest.approx(5.2, abs=0.05)
    assert "'flash'" in found.notes[0]
    assert "flash-write" in found.notes[0]
    assert "4 ms from the event turn.begin" in found.notes[0]
    assert "0.00038" in found.notes[1]  # 3 in 8000: the rule of three
    assert measure("longest_share", worst).value == pytest.approx(520, abs=5)
    assert measure("missed", worst).value == 4  # round(5.2) - 1
    assert measure("late", worst).value == 1


def test_a_late_tick_that_the_next_one_makes_up_for_was_not_missed(measure):
    late = steady()
    late[500:502] += np.array([0.0008, -0.0008])
    assert measure("missed", segment(late)).value == 0
    assert measure("late", segment(late)).value == 1


def test_ticks_too_early_elsewhere_make_up_for_no_missed_one(measure):
    ticks = steady()
    ticks[[700, 1900]] = 0.003  # two never came each time
    ticks[[100, 300, 2500, 3000]] = 0.0003  # by a timer that fired twice
    assert measure("missed", segment(ticks)).value == 4
    burst = steady()
    burst[700:705] = [0.005, 0.00001, 0.00001, 0.00001, 0.00001]  # all that waited come at once
    assert measure("missed", segment(burst)).value == 0


def test_a_clock_of_whole_microseconds_is_no_finer_than_its_step_also_in_differences(measure):
    # Evenly distributed steps: u of a difference of two is 1 us / sqrt(6) (JCGM 100:2008 F.2.2.1).
    stamps = 123.0 + np.cumsum(np.round(1e6 * steady())) * 1e-6
    rows = {"tick": Samples(host_s=stamps, values={"time": stamps})}
    found = measure("longest", segment([], rows=rows), nominal=0.001)
    assert found.u == pytest.approx(1e-3 / 6**0.5, rel=0.01)


def test_a_gap_while_the_free_wheels_turn_is_told_so(measure):
    spun = segment(steady(), "turning", conditions={"duty.left": 0.3, "duty.right": 0.3})
    assert "while the robot did 'turning its free wheels'" in measure("longest", spun).notes[0]


def test_distance_travelled_blind_is_speed_times_the_gap(measure):
    busy = steady()
    busy[100] = 0.005
    # v T: 0.5 m/s in 5 ms is 2.5 mm (handbook arithmetic).
    assert measure("blind_travel", segment(busy), speed=500.0).value == pytest.approx(2.5)
    assert measure("blind_travel", segment(busy)).value == pytest.approx(1.5)  # the robot file's 300 mm/s


def test_a_line_in_every_tick_is_as_good_as_periods_taken_down(measure):
    end = 10 + np.cumsum(steady())
    rows = {"fast": Samples(host_s=end, values={"time": end, "encoder.left": np.zeros_like(end)})}
    found = measure("percentile", segment([], rows=rows), nominal=0.001, percent=99.9)
    assert found.n == 3999
    assert found.value < 106
    with pytest.raises(CannotMeasureError, match="in every tick"):
        measure("percentile", segment([], rows=rows), nominal=0.0005)


def test_host_times_are_refused_with_the_reason(measure):
    end = 10 + np.cumsum(steady())
    rows = {"prints": Samples(host_s=end, values={"encoder.left": np.zeros_like(end)})}
    with pytest.raises(CannotMeasureError, match=r"no time of its own.*latency timer"):
        measure("longest", segment([], rows=rows), nominal=0.001)


def test_the_longest_gap_alone_can_come_from_the_robots_own_report(measure):
    at = np.arange(20) * 0.1
    rows = {"health": Samples(host_s=at, values={"time": at, "loop.period": np.where(at == 1.0, 0.0031, 0.001)})}
    assert measure("longest", segment([], rows=rows)).value == pytest.approx(3.1)
    with pytest.raises(CannotMeasureError, match="took down"):
        measure("percentile", segment([], rows=rows))


def test_drift_is_that_of_the_clocks_whatever_the_adapter_holds_back(measure):
    rng = np.random.default_rng(3)
    host = 100 + np.arange(0, 20, 0.01)
    robot = 7 + (host - 100) * (1 + 40e-6)
    rows = {"m": Samples(host_s=host + rng.uniform(0, 0.002, host.size), values={"time": robot})}
    found = measure("drift", segment([], rows=rows))
    assert abs(found.value - 40) < 3 * found.u
    assert found.u < 10


def test_drift_by_a_clock_that_means_nothing_is_refused_but_for_times_of_rest(measure):
    host = np.arange(0, 5, 0.01)
    rows = {"m": Samples(host_s=host, values={"time": host})}
    virtual = HostTime(is_real=False)
    assert measure("drift", segment([], rows=rows), host=virtual).value == pytest.approx(0, abs=1e-3)
    with pytest.raises(CannotMeasureError, match="real time of the host"):
        measure("drift", segment([], rows=rows, conditions={"duty.left": 0.3}), host=virtual)
