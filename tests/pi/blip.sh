# Runs inside the emulated Pi, as root: the positive control. An active-low relay whose line becomes an output
# before it is set high, as a careless program does it. Whoever judges the log of the pins must see it.
set -eu
python3 - <<'PY'
import lgpio
chip = lgpio.gpiochip_open(0)
for line in (5, 6):
    lgpio.gpio_claim_output(chip, line, 0)
    lgpio.gpio_write(chip, line, 1)
PY
