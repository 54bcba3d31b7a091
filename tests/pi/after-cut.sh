# Runs inside the emulated Pi, as root, on the card of write.sh after the plug was pulled.
. /share/helpers.sh

expect "it is enabled" systemctl is-enabled coldpin@loft
wait_for 90 held
echo "first status after the boot: $(systemctl show -P StatusText coldpin@loft)"
state "after the boot"
expect "it is up by itself" unit_is active
expect "and the pump rests" off 5
/opt/coldpin/current/bin/python - <<'PY'
import sqlite3, sys
from pathlib import Path
bad = False
for name, tables in (("records", ("readings", "events")), ("requests/requests", ("requests",))):
    path = Path("/var/lib/coldpin/loft") / f"{name}.sqlite"
    file = sqlite3.connect(path)
    whole = file.execute("PRAGMA integrity_check").fetchone()[0]
    print("  ", name, "integrity:", whole)
    bad |= whole != "ok"
    for table in tables:
        rows, last = file.execute(f"SELECT COUNT(*), MAX(id) FROM {table}").fetchone()
        print("  ", table, "rows", rows, "last id", last)
    if name == "records":
        runs = file.execute("SELECT id, boot_id FROM runs ORDER BY id").fetchall()
        print("   runs", len(runs), "of", len({boot for _, boot in runs}), "boots")
    else:
        print("   unanswered", file.execute("SELECT COUNT(*) FROM requests WHERE answer IS NULL").fetchone()[0])
print("   set aside:", [p.name for p in Path("/var/lib/coldpin/loft").glob("*damaged*")] or "nothing")
sys.exit(bad)
PY
expect "both databases are whole" [ $? = 0 ]
runuser -u coldpin -- /opt/coldpin/current/bin/coldpin report /etc/coldpin/loft.toml | head -12
show $air 288
wait_for 90 cool
state "cools again, after the rest was waited out"
expect "it cools" on 5
finish
