"""``python -m tests.benchmarks NAME``: run one benchmark and print its tables."""

from __future__ import annotations

import sys
from argparse import ArgumentParser
from importlib import import_module

NAMES = (
    "accuracy",
    "latency",
    "batch",
    "drawing",
    "fuzz",
    "bicycle",
    "load",
    "change",
    "predict",
    "pool",
    "torture",
    "recording",
)


def main(words: list[str]) -> None:
    """Run the benchmark that the first word names."""
    if not words or words[0] not in NAMES:
        sys.exit(
            f"usage: python -m tests.benchmarks NAME [--seed N] [--short], NAME one of {NAMES}"
        )
    benchmark = import_module(f".{words[0]}", __package__)
    parser = ArgumentParser(prog=f"python -m tests.benchmarks {words[0]}")
    parser.add_argument("--seed", type=int, default=1, help="of everything that is left to chance")
    parser.add_argument("--short", action="store_true", help="less of everything, for a first look")
    benchmark.arguments(parser)
    benchmark.main(parser.parse_args(words[1:]))


if __name__ == "__main__":
    main(sys.argv[1:])
