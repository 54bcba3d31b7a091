# Runs inside the emulated Pi, as root: the installer, from a bare machine and from release 0.1.0 with its
# records, a second time, an upgrade that fails, the page's unit beside the service, and the removal.
# /share has a clone of the project (clone), the wheel of 0.1.0 and its unit (old), and the packages (wheels).
. /share/helpers.sh

cp /share/wheels/*.whl /opt/wheels/ # where this machine's pip finds packages instead of a network
rm -f /opt/wheels/coldpin-*
useradd --create-home grower
install=/share/clone/systemd/install
log=/share/out/install.log
attempt() { # FILE COMMAND...: keeps what it printed, returns its status
    local file=/share/out/$1 status
    shift
    local began=$SECONDS
    "$@" >"$file" 2>&1
    status=$?
    echo "   $* : status $status, $((SECONDS - began)) s"
    return $status
}
rows() { sqlite_rows "SELECT COUNT(*) FROM readings"; }
sqlite_rows() {
    "$python" -c "
import sqlite3, sys
print(sqlite3.connect('file:/var/lib/coldpin/loft/records.sqlite?mode=ro', uri=True).execute(sys.argv[1]).fetchone()[0])" "$1"
}
as_grower() { runuser -u grower -- "$@"; }

echo "== a dry run, and no root: nothing changes"
attempt dry.txt $install --dry-run
expect "a dry run ends with 0" [ $? = 0 ]
expect "it says what it would do" has "versions/" /share/out/dry.txt
expect "it makes no folder" [ ! -e /opt/coldpin ]
expect "it makes no user" sh -c '! id coldpin'
attempt no-root.txt as_grower $install
expect "without root it ends with 69" [ $? = 69 ]
expect "and says what to do" has "sudo" /share/out/no-root.txt

echo "== release 0.1.0, by the steps of its own page, cooling"
python3 -m venv --without-pip --system-site-packages /opt/coldpin
pip --python /opt/coldpin/bin/python install -q /share/old/coldpin-0.1.0-py3-none-any.whl
python=/opt/coldpin/bin/python
install -D -m 0644 /share/old/systemd/coldpin.sysusers.conf /etc/sysusers.d/coldpin.conf
systemd-sysusers
install -m 0644 '/share/old/systemd/coldpin@.service' /etc/systemd/system/
install -d -m 0755 /etc/coldpin
install -m 0640 -g coldpin loft.toml /etc/coldpin/loft.toml
systemctl daemon-reload
made_up_probes
show $air 288
systemctl enable --now coldpin@loft
wait_for 200 cool
expect "release 0.1.0 cools" on 5
runuser -u coldpin -- /opt/coldpin/bin/coldpin swap /etc/coldpin/loft.toml --packs 4
sleep 12
before=$(rows)
echo "   readings kept by 0.1.0: $before"

echo "== upgrade"
attempt upgrade.txt env SUDO_USER=grower $install
expect "the upgrade ends with 0" [ $? = 0 ]
cat /share/out/upgrade.txt
python=/opt/coldpin/current/bin/python
version=$(coldpin --version | head -1)
echo "   $version"
expect "coldpin is on the path" test -x /usr/local/bin/coldpin
expect "the service is up" unit_is active
expect "it runs from the new version's folder" sh -c \
    'readlink /proc/$(systemctl show -P MainPID coldpin@loft)/cwd >/dev/null; tr "\0" " " </proc/$(systemctl show -P MainPID coldpin@loft)/cmdline | grep -q current/bin'
wait_for 90 held
systemctl show -P StatusText coldpin@loft
wait_for 120 cool
expect "it cools again after the pump's rest" on 5
expect "no reading was lost" [ "$(rows)" -ge "$before" ]
expect "the change of packs is kept" sh -c 'coldpin export loft --csv /tmp/e.csv && grep -q ",4$" /tmp/e.csv'
expect "man coldpin" test -s /usr/local/share/man/man1/coldpin.1
expect "completion" test -s /usr/local/share/bash-completion/completions/coldpin

echo "== the person, without sudo"
as_grower coldpin status
expect "status" sh -c 'runuser -u grower -- coldpin status; [ $? -le 1 ]'
expect "pause is answered" sh -c 'runuser -u grower -- coldpin pause | tee /dev/stderr | grep -q "^pause: "'
sleep 3
expect "and the pump stands" off 5
expect "resume is answered" sh -c 'runuser -u grower -- coldpin resume | grep -q "^resume: "'
expect "a change of packs is answered" sh -c 'runuser -u grower -- coldpin swap --packs 2 | grep -q "^Logged: 2 packs"'
expect "root's request is answered too" sh -c 'coldpin ack | grep -q "^ack"'
expect "nothing in the chamber's folder is root's" sh -c '! find /var/lib/coldpin/loft -uid 0 | grep .'

echo "== a second run changes nothing"
pid=$(systemctl show -P MainPID coldpin@loft)
attempt again.txt env SUDO_USER=grower $install
expect "a second run ends with 0" [ $? = 0 ]
expect "the service was not touched" [ "$pid" = "$(systemctl show -P MainPID coldpin@loft)" ]

echo "== the page's unit beside the service"
began=$SECONDS
systemctl enable --now coldpin-lookout@loft
for _ in $(seq 300); do
    "$python" -c 'import urllib.request as u; u.urlopen("http://127.0.0.1:8427/", timeout=20)' 2>/tmp/page && break
    sleep 1
done
expect "the page answers" "$python" -c 'import urllib.request as u; assert b"loft" in u.urlopen("http://127.0.0.1:8427/", timeout=60).read()'
echo "   first page $((SECONDS - began)) s after the start"
expect "the forecast is made" sh -c 'for i in $(seq 90); do test -s /var/lib/coldpin/loft/forecast.json && exit 0; sleep 2; done; ls -l /var/lib/coldpin/loft; exit 1'
for unit in coldpin@loft coldpin-lookout@loft; do
    main=$(systemctl show -P MainPID $unit)
    echo "   $unit: $(grep VmRSS "/proc/$main/status"), memory of the unit $(systemctl show -P MemoryCurrent $unit) bytes," \
        "processor $(systemctl show -P CPUUsageNSec $unit) ns"
    systemctl show -p ExecMainStartTimestamp -p ActiveEnterTimestamp $unit | sed 's/^/   /'
    echo "   $(systemd-analyze security --no-pager $unit | tail -1)"
done
expect "the service is up beside it" unit_is active

echo "== an upgrade whose service does not come up goes back"
cp -r /share/clone /tmp/broken
sed -i 's/^version = .*/version = "9.9.9"/' /tmp/broken/pyproject.toml
printf 'raise SystemExit("broken on purpose")\n' >/tmp/broken/controller/cli/run.py
attempt broken.txt env SUDO_USER=grower /tmp/broken/systemd/install
expect "it ends with 69" [ $? = 69 ]
expect "it says that it went back" has "Went back" /share/out/broken.txt
tail -12 /share/out/broken.txt
expect "the version before is in force" [ "$(coldpin --version | head -1)" = "$version" ]
expect "the service is up" unit_is active
wait_for 150 cool
expect "it cools" on 5
expect "records are read on" [ "$(rows)" -ge "$before" ]

echo "== removal, while it cools"
coldpin status >/dev/null
attempt removal.txt $install --uninstall
expect "it ends with 0" [ $? = 0 ]
expect "both loads are off" off 5 6
state "removed"
expect "no unit of ours is active" sh -c '! systemctl list-units --plain --no-legend --state=active "coldpin*" | grep .'
expect "none is enabled" sh -c '! ls /etc/systemd/system/multi-user.target.wants | grep coldpin'
expect "no unit file is left" sh -c '! ls /etc/systemd/system | grep coldpin'
expect "the program is away" [ ! -e /opt/coldpin ]
expect "the path is clean" [ ! -e /usr/local/bin/coldpin ] && [ ! -L /usr/local/bin/coldpin ]
expect "configuration stays" test -s /etc/coldpin/loft.toml
expect "records stay" test -s /var/lib/coldpin/loft/records.sqlite
finish
