"""One target, fuzzed as coverage leads, in a process of its own.

    python -m tests.fuzz.follow TARGET CORPUS INPUTS SECONDS

Only what is imported while the fuzzer listens is followed, so this module imports nothing of ours
before that. What is found is left in the corpus as `crash-…`, `timeout-…` or `oom-…`.
"""

from __future__ import annotations

import sys
from pathlib import Path

FOLLOWED = ("controller",)
"""Packages whose branches are followed; everything else runs as it is, which is much quicker."""
LONGEST_S, MOST_MB = 60, 1500
"""An input that takes longer or more memory than this is a finding."""
LONGEST_BYTES = 8192


def main() -> None:
    import atheris

    with atheris.instrument_imports(include=list(FOLLOWED), enable_loader_override=False):
        from tests.fuzz.seeds import seeds
        from tests.fuzz.targets import TARGETS

    name, folder, inputs, seconds = sys.argv[1:]
    corpus, longest = Path(folder), LONGEST_BYTES
    for number, good in enumerate(seeds(name)):
        (corpus / f"seed-{number}").write_bytes(good)
        TARGETS[name](good)  # what is built once does not count as the first input's time
        longest = max(longest, 2 * len(good))  # one that is cut off is no good input any more
    atheris.Setup(
        [sys.argv[0], folder, f"-runs={inputs}", f"-max_total_time={seconds}",
         f"-max_len={longest}", f"-timeout={LONGEST_S}", f"-rss_limit_mb={MOST_MB}", "-verbosity=1",
         "-print_final_stats=1", f"-artifact_prefix={folder}/"],
        TARGETS[name],
    )  # fmt: skip
    atheris.Fuzz()


if __name__ == "__main__":
    main()
