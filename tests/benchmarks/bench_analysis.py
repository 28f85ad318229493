"""How fast and how right the analysis is: `python tests/benchmarks/bench_analysis.py [TESTS]`.

Time: 100 sessions of 6 heads x 7 powers x 5 repeats from readings to verdicts; the bar is 10 s in all. And one of 2,000
readings of two heads, with its memory.
Error rates, if a number of TESTS is given: verdicts at true differences of 0, 4 and 6 mired, and warm-up of 9 mired.
"""

import resource
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from greystep.compare.drift import analyse
from greystep.compare.verdict import ReportFacts, judge
from greystep.sentences.summary import summary, summary_json
from helpers import synthetic


def bench_sessions(sessions: int = 100) -> tuple[float, float]:
    """Return wall and processor time [s] of whole analyses: tables, verdicts, sentences, summary."""
    session = synthetic.make_session()
    made = [synthetic.simulate(np.random.default_rng(seed), np.zeros((6, 7))) for seed in range(sessions)]
    start, used = time.perf_counter(), time.process_time()
    for readings in made:
        drift = analyse(readings, session)
        facts = ReportFacts(judge(drift, session.tolerance), None, (), None, (), ())
        summary_json(summary(facts, drift, session, readings))
    return time.perf_counter() - start, time.process_time() - used


def bench_long_session() -> tuple[float, float]:
    """Return processor time [s] and largest memory so far [MB] of the analysis of 2,000 readings."""
    readings = synthetic.simulate(np.random.default_rng(2), np.zeros((2, 7)), repeats=143)
    used = time.process_time()
    analyse(readings, synthetic.make_session())
    return time.process_time() - used, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def verdict_rates(tests: int) -> None:
    """Print how often the kit is called what, for one head that is off as a whole, at one power, or by a slope."""
    session = synthetic.make_session()
    shapes = {"head": np.ones(7), "power": np.eye(7)[3], "slope": np.linspace(0, 1, 7)}
    for scatter in (0.3, 0.6):
        for true, shape in [(0, "head"), *((true, shape) for true in (4, 6) for shape in shapes)]:
            offsets = np.zeros((6, 7))
            offsets[1] = true * shapes[shape]
            found: Counter[str] = Counter()
            own: Counter[str] = Counter()
            for seed in range(tests):
                drift = analyse(synthetic.simulate(np.random.default_rng(seed), offsets, scatter=scatter), session)
                judged = judge(drift, session.tolerance)
                found[judged.kit_verdict] += 1
                own[judged.heads["verdict"][1]] += 1
            print(f"true {true} mired, {shape}, scatter {scatter}: kit {told(found)}; that head {told(own)}")


def told(found: Counter[str]) -> str:
    return ", ".join(f"{name} {100 * found[name] / found.total():.1f} %" for name in ("outside", "within"))


def warmup_rates(tests: int) -> None:
    """Print how well 9 mired of warm-up are found, by repeats and time constant in shots."""
    session = synthetic.make_session()
    for heads, repeats, tau in ((1, 3, 7.0), (1, 5, 11.67), (6, 3, 2.0), (6, 3, 7.0), (6, 5, 11.67)):
        good, held, spans = [], [], []
        for seed in range(max(tests // heads, 1)):
            rng = np.random.default_rng(seed)
            readings = synthetic.simulate(rng, np.zeros((heads, 7)), repeats=repeats, warmup=9.0, tau_shots=tau)
            table = analyse(readings, session).heads
            miss = (table["warmup_mired"] - 9.0).abs()
            good += list((table["span_mired"] < 1) & (miss < 1))
            held += list(miss <= table["u_warmup_mired"])
            spans += list(table["span_mired"] <= table["u_span_mired"])
        print(
            f"warm-up 9 mired, {heads} heads, n = {repeats}, tau {tau:g} shots: bar met {100 * np.mean(good):.1f} %, "
            f"amplitude covered {100 * np.mean(held):.1f} %, span covered {100 * np.mean(spans):.1f} %"
        )


if __name__ == "__main__":
    bench_sessions(5)
    wall, cpu = bench_sessions()
    print(f"100 sessions of 6 x 7 x 5: {wall:.1f} s, of which {cpu:.1f} s on the processor (bar 10 s)")
    print("2,000 readings: {:.2f} s on the processor, {:.0f} MB".format(*bench_long_session()))
    if len(sys.argv) > 1:
        warmup_rates(int(sys.argv[1]))
        verdict_rates(int(sys.argv[1]))
