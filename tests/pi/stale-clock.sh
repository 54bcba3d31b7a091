# Runs inside the emulated Pi, as root, with its clock months behind: the service is started, then the clock
# is set as the first sync would.
. /share/helpers.sh

install_coldpin loft.toml
date
systemctl start coldpin@loft
wait_for 60 rest
show $air 288
wait_for 60 prime
wait_for 60 cool
state "cooling with the clock behind"
date -s '2026-11-25 15:00:00'
sleep 8
state "cooling, the clock has jumped"
expect "a jump of the clock switches nothing" on 5
show $air 240
wait_for 60 run_on
wait_for 60 rest
systemctl show -P StatusText coldpin@loft
sleep 16
/opt/coldpin/current/bin/python - <<'PY'
import sqlite3
from datetime import UTC, datetime
file = sqlite3.connect("/var/lib/coldpin/loft/records.sqlite")
for at, utc in file.execute("SELECT at_ms, utc_ms FROM clocks ORDER BY at_ms"):
    print("   clock pair:", at, datetime.fromtimestamp(utc / 1000, UTC).isoformat(timespec="seconds"))
PY
runuser -u coldpin -- /opt/coldpin/current/bin/coldpin export /etc/coldpin/loft.toml --csv /tmp/records.csv
head -2 /tmp/records.csv; tail -1 /tmp/records.csv
systemctl stop coldpin@loft
expect "both are off once it is stopped" off 5 6
finish
