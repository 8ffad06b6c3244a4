"""Run the benchmarks: all modules of this folder that have a ``main()``, or those named.

``python -m tests.bench`` or ``python -m tests.bench store``. They print ratios and distributions;
nothing passes or fails by a time.
"""

import importlib
import sys
import traceback
from pathlib import Path


def run(wanted: list[str]) -> int:
    names = sorted(p.stem for p in Path(__file__).parent.glob("*.py") if p.stem[0] != "_")
    unknown = sorted(set(wanted) - set(names))
    if unknown:
        print(f"no benchmark {', '.join(unknown)}, expected some of {', '.join(names)}")
        return 2
    failed = 0
    for name in wanted or names:
        main = getattr(importlib.import_module(f"tests.bench.{name}"), "main", None)
        if main is None:
            continue
        print(f"\n== {name}", flush=True)
        try:
            main()
        except Exception:
            traceback.print_exc()
            failed += 1
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(run(sys.argv[1:]))
