# Runs inside the emulated Pi, as root: installs, then writes to the records as fast as they can be made to
# until the plug is pulled from outside. The card is kept for what follows.
. /share/helpers.sh

install_coldpin loft.toml
systemctl enable --now coldpin@loft
wait_for 60 rest
sync
echo "writing"
while :; do
    for sixteenths in 256 262 268 274 280 288; do
        show $air $sixteenths
        show $water $((sixteenths - 192))
        runuser -u coldpin -- /opt/coldpin/current/bin/coldpin swap /etc/coldpin/loft.toml --packs 2 >/dev/null 2>&1
    done
done
