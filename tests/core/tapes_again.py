"""Write every tape anew; read the difference before it is kept.

python -m tests.core.tapes_again
"""

from __future__ import annotations

from pathlib import Path

from tests.core.tape import TAPES, lines

for name, tape in TAPES.items():
    path = Path(__file__).parent / "tapes" / f"{name}.txt"
    path.write_text("\n".join(lines(tape)) + "\n", encoding="utf-8")
