"""How long a temperature takes from the newline on the wire to a message at a subscriber.

    python -m tests.bench.cost.bench_latency [--lines 400]        on a busy machine, as root: chrt -f 10 python -m ...

The whole watch (driver, judging, journal on this disk, feed) beside a script of some 30 lines that copies serial lines to
MQTT, in the same run: each on a pseudo-terminal of its own, one private mosquitto, one subscriber, lines of 8 numbers
sent in turn. Prints p50, p99 and the longest, ms. bench_cost measures the same beside all other costs.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path

from tests.bench.cost.bench_cost import LATENCY_SHARE, SETTLE, Cost, broker, latencies, running
from tests.bench.cost.contestants import Wire, script, watch


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--lines", type=int, default=400)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as directory, ExitStack() as stack:
        folder = Path(directory)
        folder.chmod(0o755)  # the broker gives up root before it reads its file
        port = stack.enter_context(broker(folder))
        wires = {name: Wire() for name in ("pitvigil", "script")}
        entered = {
            "pitvigil": (watch(folder / "watch", wires["pitvigil"], port), wires["pitvigil"]),
            "script": (script(wires["script"], port), wires["script"]),
        }
        for contestant, _ in entered.values():
            stack.enter_context(running(contestant, folder / "compiled"))
        time.sleep(SETTLE)
        entered["pitvigil"][1].send(*[120.0] * 8)  # the first line of a wire may be half of one and is not believed
        costs = {name: Cost() for name in entered}
        lost = latencies(entered, port, options.lines, costs)
    for name, cost in costs.items():
        print(
            f"{name:12} n={len(cost.took)} p50 {cost.p50:6.2f} ms  p99 {cost.p99:6.2f} ms  "
            f"longest {max(cost.took):6.2f} ms"
        )
    ratio = costs["pitvigil"].p99 / costs["script"].p99
    met = ratio <= LATENCY_SHARE
    print(f"lost {lost}; p99 over the script's: {ratio:.2f}, target {LATENCY_SHARE} {'met' if met else 'MISSED'}")
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
