"""Write every tape anew; read the difference before it is kept.

python -m tests.foresight.tapes_again
"""

from __future__ import annotations

from tests.foresight.forecast_tape import CHAMBERS, FOLDER, lines

for name, number in CHAMBERS.items():
    FOLDER.joinpath(f"{name}.txt").write_text("\n".join(lines(number)) + "\n", encoding="utf-8")
