# Runs inside the emulated Pi, as root: from the installer by way of `new --wire` and `first-run` to a running
# chamber with its page; the tool ended in every way with the pump on. The 1-Wire folders are made up.
. /share/helpers.sh

cp /share/wheels/*.whl /opt/wheels/
rm -f /opt/wheels/coldpin-*
useradd --create-home grower
answered() { # STATUS COMMAND...: the answers are in /tmp/answers
    local wanted=$1
    shift
    python3 /share/answer.py /tmp/answers "$@" | tee /share/out/screen
    local status=${PIPESTATUS[0]}
    echo "   status $status"
    expect "$1 $2 ends with $wanted" [ "$status" = "$wanted" ]
}
tab=$(printf '\t')
cools="sleep 25; . /share/helpers.sh; show $air 240"
warms=". /share/helpers.sh; show $air"

echo "== install"
env SUDO_USER=grower /share/clone/systemd/install >/share/out/install.txt 2>&1
expect "the installer ends with 0" [ $? = 0 ]
tail -6 /share/out/install.txt
made_up_probes
# as it comes from a laptop: ids exchanged, relays elsewhere, and for the house
sed -e "s/$air/28-AIR/; s/$water/$air/; s/28-AIR/$water/" -e 's/pin = 5/pin = 17/; s/pin = 6/pin = 27/' \
    -e 's/active_low = true/active_low = false/' loft.toml >/etc/coldpin/loft.toml
cat >>/etc/coldpin/loft.toml <<'END'

[lookout]
address = "0.0.0.0"
names = ["rig.local"]

[notices]
addresses = "loft-notices"
END
echo 'json://127.0.0.1:8099/' >/etc/coldpin/loft-notices
chown coldpin: /etc/coldpin/loft-notices
chmod 0600 /etc/coldpin/loft-notices
chgrp coldpin /etc/coldpin/loft.toml
chmod 0640 /etc/coldpin/loft.toml

echo "== new --wire: which probe, which relay"
cat >/tmp/answers <<END
Hold the air probe$tab$tab sleep 5; $warms 320
relay of the pump${tab}5
relay of the fan${tab}6
on a low input${tab}y
Write these probes${tab}y
Try pump and fan now${tab}y
is it off?${tab}yes
did it run${tab}yes
is it off?${tab}yes
did it run${tab}yes
END
answered 0 coldpin new --wire /etc/coldpin/loft.toml
expect "the air probe is the one that was warmed" sh -c "grep -A3 'probes.air' /etc/coldpin/loft.toml | grep $air"
expect "the other one is the reservoir's" sh -c "grep -A3 'probes.reservoir' /etc/coldpin/loft.toml | grep $water"
expect "pump at 5, fan at 6" sh -c 'grep -q "pin = 5" /etc/coldpin/loft.toml && grep -q "pin = 6" /etc/coldpin/loft.toml'
expect "the service may read it" runuser -u coldpin -- cat /etc/coldpin/loft.toml
expect "and still nobody else" sh -c '! runuser -u nobody -- cat /etc/coldpin/loft.toml'
expect "nothing in the chamber's folder is root's" sh -c '! find /var/lib/coldpin/loft -uid 0 | grep .'
expect "both are off" off 5 6
show $air 288

echo "== first-run: up to the restart of the computer"
cat >/tmp/answers <<END
is it off?${tab}yes
did it run${tab}yes${tab}systemctl show coldpin-tool-loft -p User -p PrivateNetwork -p NoNewPrivileges -p ProtectSystem -p DevicePolicy -p ExecStopPost >/share/out/tool-unit
is it off?${tab}yes
did it run${tab}yes
Type stop${tab}stop
END
answered 75 coldpin first-run loft
cat /share/out/tool-unit
expect "it runs as the service's user" has "User=coldpin" /share/out/tool-unit
expect "without a network" has "PrivateNetwork=yes" /share/out/tool-unit
expect "with the unit's last resort" has "bin/coldpin ; argv[]=/opt/coldpin/current/bin/coldpin off" /share/out/tool-unit
expect "both are off" off 5 6

asked_before="Type stop${tab}there is no second computer here
Does each reading fit${tab}yes
"
prime() { # COMMAND: up to the pump that runs, then the command; what was answered is not asked again
    printf %s "$asked_before" >/tmp/answers
    asked_before=
    cat >>/tmp/answers <<END
Cold water in${tab}yes$tab for i in \$(seq 120); do grep -h '(gpio5)' /sys/kernel/debug/pinctrl/*.gpio-*/pins | grep -q 'gpio_out.*lo' && break; sleep 1; done; sleep 4; $1
END
}
killed() { # WHAT COMMAND
    echo "== first-run ended with the pump on: $1"
    show $air 288
    prime "date +%T >/tmp/ended; . /share/helpers.sh; on 5 && touch /tmp/was-on; $2"
    rm -f /tmp/was-on
    python3 /share/answer.py /tmp/answers coldpin first-run loft
    echo "   status $?"
    expect "the pump was on when it ended: $1" test -e /tmp/was-on
    soon 30 off 5 6
    echo "   ended $(cat /tmp/ended), off seen $(date +%T)"
    expect "both are off after it: $1" off 5 6
    expect "no unit of the tool is left" soon 60 sh -c '! systemctl is-active coldpin-tool-loft'
}
killed "kill -9 of the tool" "systemctl kill --signal=KILL --kill-whom=main coldpin-tool-loft"
killed "kill -9 of the tool and its guard" "systemctl kill --signal=KILL coldpin-tool-loft"
killed "SIGTERM" "systemctl kill --signal=TERM --kill-whom=main coldpin-tool-loft"
killed "the terminal lost" "pkill -KILL -f /share/answer.p[y]"

echo "== first-run to its end, and the chamber started"
show $air 288
python3 - <<'PY' &
import http.server
class Taker(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        text = self.rfile.read(int(self.headers["Content-Length"]))
        open("/share/out/notice", "wb").write(text)
        self.send_response(200)
        self.end_headers()
http.server.HTTPServer(("127.0.0.1", 8099), Taker).serve_forever()
PY
taker=$!
prime "$cools"
cat >>/tmp/answers <<END
Look at every joint${tab}yes
until the alarm comes${tab}no service here
your name${tab}Mara
Start the service now${tab}y
page's password now${tab}y
first notice now${tab}y
END
answered 0 coldpin first-run loft
kill $taker
expect "the service is up" unit_is active
expect "and enabled" systemctl is-enabled coldpin@loft
expect "the page too" systemctl is-enabled coldpin-lookout@loft
expect "the page's address was shown" has "Address: http://rig.local:8427/" /share/out/screen
expect "with a QR code" grep -q '▄█' /share/out/screen
expect "the first notice came" soon 60 test -s /share/out/notice
head -c 400 /share/out/notice
shown=$(sed -n 's/.*Password: //p' /share/out/screen | tr -d '\r')
signed_in() { # PASSWORD: the page takes it, which it says by a cookie
    "$python" - "$1" <<'PY'
import http.client, sys, urllib.parse
page = http.client.HTTPConnection("127.0.0.1", 8427, timeout=60)
form = urllib.parse.urlencode({"password": sys.argv[1], "who": "Mara"})
page.request("POST", "/sign-in", form, {"Content-Type": "application/x-www-form-urlencoded"})
answer = page.getresponse()
print(answer.status, answer.getheader("set-cookie"))
sys.exit(answer.status != 303 or not answer.getheader("set-cookie"))
PY
}
expect "the page takes the password" soon 120 signed_in "$shown"
refused() { ! signed_in "$1"; }
expect "and no other" refused "not $shown"
expect "the password is the service's own" [ "$(stat -c %U:%a /var/lib/coldpin/loft/lookout-secret.json)" = coldpin:600 ]
runuser -u grower -- coldpin status | tail -12
show $air 288
expect "it cools" soon 240 on 5
expect "nothing in the chamber's folder is root's" sh -c '! find /var/lib/coldpin/loft -uid 0 | grep .'
python3 /share/answer.py /dev/null coldpin relays loft | tee /share/out/relays
expect "relays beside the service is refused" has "already controls" /share/out/relays
expect "and it still cools" on 5
systemctl stop coldpin@loft
expect "both are off" off 5 6
finish
