"""`hil study`: is the tool right? Many runs on virtual robots, held against closed forms and the simulator's truth."""

from __future__ import annotations

import math
import os

import click

from hil.quantities import counted

_JOBS = click.option(
    "--jobs", type=click.IntRange(1, 64), default=lambda: os.cpu_count() or 1, help="Runs at a time.  [default: cores]"
)


@click.group()
def study() -> None:
    """Ask whether hil itself is right by many runs on virtual robots.

    Each study prints a table that says on which commit it ran; they take minutes, and are no part of the tests.
    """


@study.command()
@click.option("--count", type=click.IntRange(1, 10_000), default=20, show_default=True, help="How many seeds.")
@click.option("--first", type=click.IntRange(0), default=1, show_default=True, help="The first seed.")
@click.option("--suite", "suites", multiple=True, metavar="SUITE", help="These suites.  [default: the three driven]")
@click.option("--robot", default="virtual", show_default=True, metavar="NAME", help="Which virtual robot.")
@_JOBS
def seeds(count: int, first: int, suites: tuple[str, ...], robot: str, jobs: int) -> int:
    """Run suites on nominal robots, one a seed: how often does a good robot pass."""
    from tabulate import tabulate

    from hil.cli.many_runs import VirtualRun, make_runs, stamp

    which = f"the suites {', '.join(suites)}" if suites else "the three driving suites"
    click.echo(f"hil study seeds: {which} on nominal robots '{robot}' ({stamp()})\n")
    rows, passed, undecided = [], 0, 0
    for outcome in make_runs(
        [VirtualRun(seed=seed, suites=suites, robot=robot) for seed in range(first, first + count)], jobs
    ):
        assertions = list(outcome.assertions())
        others = [a for a in assertions if a["outcome"] != "passed"]
        undecided += sum(a["outcome"] == "undecided" for a in assertions)
        passed += outcome.exit_status == 0
        ratio = outcome.result["time"]["ratio"]
        told = "; ".join(f"{a['measurement']} {a['outcome']}: {a['reason']}" for a in others)
        rows.append([outcome.run.seed, outcome.result["outcome"], len(assertions) - len(others), f"{ratio:.3f}", told])
    headers = ["seed", "outcome", "passed", "wall/robot time", "not passed"]
    click.echo(tabulate(rows, headers=headers, disable_numparse=True))
    click.echo(f"\n{passed} of {count} passed; {undecided} assertions undecided.")
    return 0 if passed >= math.ceil(0.95 * count) and not undecided else 1


@study.command()
@click.option(
    "--pairs", type=click.IntRange(2, 100), default=5, show_default=True, help="Seeds, each with and without."
)
@click.option("--first", type=click.IntRange(0), default=1, show_default=True, help="The first seed.")
@click.option("--only", multiple=True, metavar="FAULT", help="Only the rows of these faults, as written in the table.")
@click.option("--bench", is_flag=True, help="The faults that the bench must find, instead of the driving suites'.")
@_JOBS
def faults(pairs: int, first: int, only: tuple[str, ...], bench: bool, jobs: int) -> int:
    """Give the virtual robot one fault after the other: does each measurement move as it must, and no other.

    Every fault is run on the same seeds as the nominal robot, and the differences are paired by seed. u is the
    standard uncertainty of their mean, by their scatter.
    """
    from tabulate import tabulate

    from hil.cli.bench_fault_rows import BENCH_ROWS
    from hil.cli.fault_rows import FAULT_ROWS
    from hil.cli.fault_study import RULES, lines_of
    from hil.cli.many_runs import VirtualRun, make_runs, stamp

    click.echo(f"hil study faults: shifts against the nominal robot, {pairs} paired seeds ({stamp()})\n")
    numbers = range(first, first + pairs)
    rows = [row for row in (BENCH_ROWS if bench else FAULT_ROWS) if not only or row.fault in only]
    kinds = list(dict.fromkeys(row.suites for row in rows))
    orders = [VirtualRun(seed=seed, suites=suites) for suites in kinds for seed in numbers]
    orders += [VirtualRun(seed=seed, suites=row.suites, faults=(row.fault,)) for row in rows for seed in numbers]
    done = list(make_runs(orders, jobs))
    table, wrong = [], 0
    for number, row in enumerate(rows):
        begin, nominal = (len(kinds) + number) * pairs, kinds.index(row.suites) * pairs
        for line, is_right in lines_of(row, done[nominal : nominal + pairs], done[begin : begin + pairs]):
            table.append(line)
            wrong += not is_right
    headers = ["fault", "measurement", "truth moved", "expected", "measured", "u", "outcome", "check"]
    click.echo(tabulate(table, headers=headers, disable_numparse=True))
    click.echo(f"\n{RULES}\n{counted(wrong, 'row')} {'is' if wrong == 1 else 'are'} wrong.")
    return 1 if wrong else 0


@study.command()
@click.option("--count", type=click.IntRange(10, 10_000), default=200, show_default=True, help="How many seeds.")
@click.option("--first", type=click.IntRange(0), default=1, show_default=True, help="The first seed.")
@_JOBS
def coverage(count: int, first: int, jobs: int) -> int:
    """Run the blind legs on many robots: does the 95 % interval hold the truth in 90 to 98 % of them."""
    from hil.cli.many_runs import VirtualRun, make_runs, stamp
    from hil.judge.distributions import coverage_factor, share_interval

    click.echo(f"hil study coverage: wheel mismatch by blind legs against the simulator's truth ({stamp()})\n")
    orders = [
        VirtualRun(seed=seed, suites=("straight-line/blind-legs",), truth=True) for seed in range(first, first + count)
    ]
    covered, errors, scaled = 0, [], []
    for outcome in make_runs(orders, jobs):
        found = outcome.assertion("wheel_mismatch")
        truth = outcome.truth[0]["truth"]["wheel_mismatch"] * 100
        error = found["value"] - truth
        dof = math.inf if found["dof"] is None else found["dof"]
        covered += abs(error) <= coverage_factor(dof, 0.95) * found["u"]
        errors.append(error)
        scaled.append(error / found["u"])
    share = covered / count
    lower, upper = share_interval(covered, count, 0.95)
    mean = sum(errors) / count
    click.echo(f"runs                          {count} (seeds {first} to {first + count - 1})")
    told = f"{100 * share:.1f} %; 95 % of such studies: {100 * lower:.1f} to {100 * upper:.1f} %"
    click.echo(f"95 % interval holds truth in  {covered} ({told})")
    click.echo(f"mean error                    {mean:+.4f} % of wheel size")
    click.echo(f"standard deviation of error   {math.sqrt(sum((e - mean) ** 2 for e in errors) / (count - 1)):.4f} %")
    click.echo(f"rms of error / stated u       {math.sqrt(sum(s * s for s in scaled) / count):.2f}")
    return 0 if 0.90 <= share <= 0.98 else 1


@study.command()
@click.option("--count", type=click.IntRange(1, 1000), default=3, show_default=True, help="How many seeds.")
@click.option("--first", type=click.IntRange(0), default=1, show_default=True, help="The first seed.")
@click.option("--robot", "robots", multiple=True, metavar="NAME", help="These virtual robots only.")
@click.option("--route", "routes", multiple=True, metavar="ROUTE", help="These routes only.")
@_JOBS
def routes(count: int, first: int, robots: tuple[str, ...], routes: tuple[str, ...], jobs: int) -> int:
    """Measure the same robots through every kind of port and by hand: no route may contradict another."""
    from tabulate import tabulate

    from hil.cli.many_runs import make_runs, stamp
    from hil.cli.route_study import ROBOTS, ROUTES, compared, runs_of, ways_of

    ways = ways_of(robots or ROBOTS, routes or ROUTES)
    click.echo(f"hil study routes: one robot by {len(ways)} ways ({stamp()})\n")
    outcomes = list(make_runs(runs_of(ways, range(first, first + count)), jobs))
    comparisons = list(compared(ways, outcomes))
    opposite, missed, table, reasons = 0, 0, [], []
    for one in comparisons:
        opposite += one.is_opposite
        missed += one.is_missed
        check = "OPPOSITE" if one.is_opposite else "MISSED" if one.is_missed else ""
        if check or set(one.outcomes) != {"passed"}:
            table.append([one.fault or "none", one.seed, one.measurement, *one.outcomes, check])
        for way, outcome, reason in zip(ways, one.outcomes, one.reasons, strict=True):
            if outcome not in ("passed", "failed", "not made"):
                told = f"{one.fault or 'none'}, seed {one.seed}, {way.robot} {way.route}"
                reasons.append(f"{told}: {one.measurement} {outcome}: {reason}")
    headers = ["fault", "seed", "measurement", *(way.title for way in ways), "check"]
    click.echo(tabulate(table, headers=headers, disable_numparse=True))
    click.echo("\n(Rows in which every way passed are left out.)\n")
    click.echo("\n".join(dict.fromkeys(reasons)))
    trouble = sum(outcome.exit_status in (2, 3) for outcome in outcomes)
    click.echo(
        f"\n{counted(len(outcomes), 'run')}, {counted(len(comparisons), 'comparison')}: {opposite} opposite, "
        f"{missed} missed, {counted(trouble, 'run')} with a bench error."
    )
    return 1 if opposite or missed or trouble else 0


@study.command()
@click.option("--count", type=click.IntRange(1, 10_000), default=200, show_default=True, help="How many runs.")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, help="Of the moments and the robots.")
@_JOBS
def kills(count: int, seed: int, jobs: int) -> int:
    """Kill runs at random moments: does each trace open, is only the last quarter second missing, can it be judged."""
    from tabulate import tabulate

    from hil.cli.kill_study import ALLOWED_S, make_kills, table_of
    from hil.cli.many_runs import stamp

    click.echo(f"hil study kills: {count} runs killed (SIGKILL) at random moments ({stamp()})\n")
    done = list(make_kills(count, seed, jobs))
    headers = ["numbers by", "killed during", "runs", "bytes kept", "missing, median [ms]", "most [ms]", "judged again"]
    click.echo(tabulate(table_of(done), headers=headers, disable_numparse=True))
    click.echo("\nmissing: age of the oldest byte or answer that a witness saw cross and the trace does not hold.\n")
    wrong = [kill for kill in done if kill.trouble]
    for kill in wrong:
        click.echo(f"run {kill.number} ({kill.way}, killed after {kill.after_s:.2f} s): {kill.trouble}")
    oldest_ms = max((kill.age_ms for kill in done), default=0.0)
    click.echo(
        f"{count - len(wrong)} of {count} traces open, lack nothing older than {ALLOWED_S * 1e3:.0f} ms and can be "
        f"judged again; the oldest missing thing was {oldest_ms:.0f} ms old."
    )
    return 1 if wrong else 0


@study.command()
@click.option(
    "--count", type=click.IntRange(10, 10_000), default=200, show_default=True, help="How many robots and surfaces."
)
@click.option("--first", type=click.IntRange(0), default=1, show_default=True, help="The first seed.")
def transfer(count: int, first: int) -> int:
    """Read an unknown surface once: is the calibration carried over to it right, and its interval honest."""
    from tabulate import tabulate

    from hil.catalogue import Catalogue
    from hil.cli.many_runs import stamp
    from hil.cli.transfer_study import HOMES, SET_MM, agreement_rows, coverage_of, make_transfers
    from hil.judge.distributions import share_interval
    from hil.spec.kinds import Kind
    from hil.spec.loading import load_course, load_robot

    catalogue = Catalogue()
    robot = load_robot(catalogue.find(Kind.ROBOT, "virtual"), catalogue).robot
    course = load_course(catalogue.find(Kind.COURSE, "corridor-six"))
    click.echo(f"hil study transfer: {count} virtual robots, each on a surface it has not met ({stamp()})\n")
    is_right = True
    for home, surfaces in HOMES.items():
        made = list(make_transfers(robot, course, surfaces, range(first, first + count)))
        ten, farthest = made[:10], max(abs(one.beside_full_mm) for one in made)
        click.echo(f"{home}: {', '.join(surfaces)}\n\nTen surfaces at {SET_MM:g} mm [mm]:\n")
        headers = ["seed", "light", "transfer\nbeside full", "error", "u", "full:\nerror", "u"]
        click.echo(tabulate(agreement_rows(ten), headers=headers, disable_numparse=True))
        within = sum(abs(one.beside_full_mm) <= 1.0 for one in ten)
        click.echo(
            f"\n{within} of 10 within 1 mm of a full calibration; of all {count} the farthest {farthest:.2f} mm.\n"
        )
        rows = []
        for one in coverage_of(made):
            low, high = share_interval(one.held, one.count, 0.95)
            rows.append([
                f"{SET_MM + one.away_mm:g}", f"{one.rms_mm:.2f}", f"{one.held}", f"{100 * one.share:.1f} %",
                f"{100 * low:.1f} to {100 * high:.1f} %", f"{one.rms_scaled:.2f}",
            ])  # fmt: skip
            is_right &= one.away_mm != 0 or 0.90 <= one.share <= 0.98
        headers = ["at [mm]", "rms error [mm]", "interval holds\nthe truth", "", "95 % of such studies", "rms error/u"]
        click.echo(tabulate(rows, headers=headers, disable_numparse=True) + "\n")
        is_right &= within == 10
    click.echo("Asked for: ten of ten within 1 mm, and 90 to 98 % of the intervals at the set distance.")
    return 0 if is_right else 1
