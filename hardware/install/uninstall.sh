#!/bin/bash
# Takes the service away and keeps records and settings; --purge takes those too.
set -euo pipefail
[ "$(id -u)" -eq 0 ] || exec sudo "$0" "$@"
purge=no
[ "${1:-}" = --purge ] && purge=yes
say() { echo "evenwall uninstall: $*"; }

systemctl disable -q --now evenwall 2>/dev/null || true
rm -f /etc/systemd/system/evenwall.service /etc/udev/rules.d/60-evenwall.rules /etc/avahi/services/evenwall.service
systemctl daemon-reload
udevadm control --reload 2>/dev/null || true
rm -rf /opt/evenwall /var/cache/evenwall
if [ $purge = yes ]; then
  rm -rf /var/lib/evenwall /etc/evenwall /run/evenwall
  if id evenwall >/dev/null 2>&1; then userdel evenwall; fi
  say "everything is gone, records too"
else
  say "records stay in /var/lib/evenwall, settings in /etc/evenwall; --purge takes them too"
fi
