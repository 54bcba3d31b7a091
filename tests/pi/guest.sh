# Runs inside the emulated Pi, as root: installs the wheel as the installer does and drives
# the service on made-up w1_slave files and real GPIO registers. Prints one line a step: what was done, what
# the unit says, what the two pins' registers say. Active-low relays: "hi" is off.
. /share/helpers.sh

echo "== install"
install_coldpin loft.toml
id coldpin
runuser -u coldpin -- /opt/coldpin/current/bin/coldpin check /etc/coldpin/loft.toml | head -40
state "installed, never started"
expect "nothing is on before the first start" off 5 6

echo "== start, call, cool"
systemctl start coldpin@loft
state "started"
expect "it starts" unit_is active
expect "and nothing is on" off 5 6
wait_for 60 rest
systemctl show -P StatusText coldpin@loft
show $air 288 # 18.0 °C, above cut-in
wait_for 30 held
systemctl show -P StatusText coldpin@loft
state "air above cut-in, pump resting first"
wait_for 90 prime
state "priming"
expect "the pump runs first" on 5
expect "and the fan not yet" off 6
wait_for 60 cool
state "cooling"
expect "it cools" on 5
show $air 240 # 15.0 °C, below cut-out
wait_for 90 run_on
state "fan runs on"
expect "the pump stops first" off 5
expect "and the fan runs on" on 6
wait_for 60 rest
state "at rest again"
expect "both are off at rest" off 5 6
grep -E 'VmRSS|Threads' "/proc/$(systemctl show -P MainPID coldpin@loft)/status"

echo "== reload"
sed -i 's/cut_in = "17 C"/cut_in = "17.5 C"/' /etc/coldpin/loft.toml
systemctl reload coldpin@loft
sleep 5
state "reloaded with another band"
expect "it runs on after a reload" unit_is active
sed -i 's/cut_in = /cut_inn = /' /etc/coldpin/loft.toml
systemctl reload coldpin@loft
sleep 5
state "reloaded with a broken file"
expect "a broken file does not end it" unit_is active
sed -i 's/cut_inn = /cut_in = /' /etc/coldpin/loft.toml

echo "== kill -9 while cooling"
show $air 288
wait_for 120 cool
state "cooling"
expect "it cools" on 5
systemctl kill --signal=KILL coldpin@loft
sleep 9
state "9 s after kill -9"
expect "both are off after kill -9" off 5 6
wait_for 60 held
systemctl show -P StatusText coldpin@loft
state "restarted by systemd"
expect "it was started again" unit_is active

echo "== stop while cooling"
wait_for 120 cool
state "cooling"
expect "it cools" on 5
systemctl stop coldpin@loft
state "stopped"
expect "both are off once it is stopped" off 5 6

journalctl -u coldpin@loft -o cat --no-pager | cut -c1-260 >/share/out/journal
grep -E 'Started|"level": "(warning|error)"|config' /share/out/journal | head -20
finish
