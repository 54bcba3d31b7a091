# Runs inside the emulated Pi, as root, on the card of write.sh after the plug was pulled.
. /share/helpers.sh

systemctl is-enabled coldpin@loft
wait_for 90 held
echo "first status after the boot: $(systemctl show -P StatusText coldpin@loft)"
state "after the boot"
/opt/coldpin/current/bin/python - <<'PY'
import sqlite3
from pathlib import Path
for name, tables in (("records", ("readings", "events")), ("requests", ("requests",))):
    path = Path("/var/lib/coldpin/loft") / f"{name}.sqlite"
    file = sqlite3.connect(path)
    print("  ", name, "integrity:", file.execute("PRAGMA integrity_check").fetchone()[0])
    for table in tables:
        rows, last = file.execute(f"SELECT COUNT(*), MAX(id) FROM {table}").fetchone()
        print("  ", table, "rows", rows, "last id", last)
    if name == "records":
        runs = file.execute("SELECT id, boot_id FROM runs ORDER BY id").fetchall()
        print("   runs", len(runs), "of", len({boot for _, boot in runs}), "boots")
    else:
        print("   unanswered", file.execute("SELECT COUNT(*) FROM requests WHERE answer IS NULL").fetchone()[0])
print("   set aside:", [p.name for p in Path("/var/lib/coldpin/loft").glob("*damaged*")] or "nothing")
PY
runuser -u coldpin -- /opt/coldpin/current/bin/coldpin report /etc/coldpin/loft.toml | head -12
show $air 288
wait_for 90 cool
state "cools again, after the rest was waited out"
exit 0
