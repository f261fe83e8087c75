#!/bin/bash
# Installs Evenwall as a service, or upgrades it. Run from a checkout: make install
#   --stage DIR   only lay the files out below DIR (for looking and for tests): no user, no service
#   --no-start    do everything but start the service
# A running casting is kept: the board turns on by itself while the new controller starts and rejoins.
set -euo pipefail
here=$(cd "$(dirname "$0")/../.." && pwd)
stage="" start=yes
while [ $# -gt 0 ]; do
  case "$1" in
    --stage) stage=$2; shift 2 ;;
    --no-start) start=no; shift ;;
    *) echo "unknown: $1 (known: --stage DIR, --no-start)" >&2; exit 2 ;;
  esac
done
say() { echo "evenwall install: $*"; }

if [ -z "$stage" ] && [ "$(id -u)" -ne 0 ]; then
  command -v sudo >/dev/null || { echo "run me as root" >&2; exit 1; }
  exec sudo "$0" $([ $start = no ] && echo --no-start)
fi

opt=$stage/opt/evenwall
version=$(sed -n 's/^version = "\(.*\)"/\1/p' "$here/pyproject.toml" | head -1)
release=$version-$(date -u +%Y%m%d%H%M%S)
fresh=$opt/releases/$release
before=$(readlink "$opt/current" 2>/dev/null || true)

lay_out() { # files that belong to the system
  install -D -m 644 "$here/hardware/install/evenwall.service" "$stage/etc/systemd/system/evenwall.service"
  install -D -m 644 "$here/hardware/install/60-evenwall.rules" "$stage/etc/udev/rules.d/60-evenwall.rules"
  install -D -m 644 "$here/hardware/install/evenwall-mdns.service" "$stage/etc/avahi/services/evenwall.service"
  [ -e "$stage/etc/evenwall/rig.toml" ] ||
    install -D -m 640 "$here/hardware/rigs/small.toml" "$stage/etc/evenwall/rig.toml"
  mkdir -p "$fresh"
  # Only what git knows, or everything below the rooms where this is not a clone.
  (cd "$here" && { git -c safe.directory="$here" ls-files 2>/dev/null || find . -type f -not -path './.venv/*' -printf '%P\n'; } |
    grep -v '^tests/' | tar -c -T -) | tar -x -C "$fresh" --no-same-owner
}

if [ -n "$stage" ]; then
  lay_out
  ln -sfn "releases/$release" "$opt/current"
  say "laid out below $stage"
  exit 0
fi

"$here/hardware/packages.sh" python3-venv gcc libc6-dev avahi-daemon
# On a Pi the pins and buses come from the system's own packages, built for its kernel.
for name in python3-lgpio python3-spidev python3-smbus2; do
  if apt-cache show "$name" >/dev/null 2>&1; then "$here/hardware/packages.sh" "$name"; else
    say "no package $name here: pins or buses that need it will say so"; fi
done

if ! id evenwall >/dev/null 2>&1; then
  say "making the user evenwall"
  useradd --system --user-group --home-dir /var/lib/evenwall --shell /usr/sbin/nologin evenwall
fi
for group in dialout gpio spi i2c; do
  if getent group $group >/dev/null; then usermod -aG $group evenwall; fi
done

lay_out
say "making $fresh/.venv (some minutes on a Pi)"
python3 -m venv --system-site-packages "$fresh/.venv"
"$fresh/.venv/bin/python" -m pip install -q --disable-pip-version-check -c "$here/requirements.lock" -e "$fresh"
"$fresh/.venv/bin/evenwall" --help >/dev/null
chgrp -R evenwall /etc/evenwall && chmod 750 /etc/evenwall
install -d -m 750 -o evenwall -g evenwall /var/lib/evenwall

ln -sfn "releases/$release" "$opt/current.new" && mv -T "$opt/current.new" "$opt/current"
systemctl daemon-reload
udevadm control --reload 2>/dev/null && udevadm trigger --subsystem-match=tty 2>/dev/null || true
if [ $start = yes ]; then
  systemctl enable -q evenwall
  # Type=notify: this returns when the new controller has read the record and said it is ready.
  if ! systemctl restart evenwall; then
    if [ -n "$before" ]; then
      say "the new release does not start; going back to $before"
      ln -sfn "$before" "$opt/current.new" && mv -T "$opt/current.new" "$opt/current"
      systemctl restart evenwall
    fi
    systemctl --no-pager --lines 20 status evenwall >&2 || true
    exit 1
  fi
fi
# Keep the release before this one, drop older ones.
for old in "$opt"/releases/*; do
  case "releases/${old##*/}" in "releases/$release" | "$before") ;; *) rm -rf "$old" ;; esac
done
say "version $version; the rig is described in /etc/evenwall/rig.toml, records are in /var/lib/evenwall"
say "panel: http://$(hostname).local:8713/"
