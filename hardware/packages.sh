#!/bin/bash
# Installs Debian packages that are missing, saying so first. Usage: packages.sh NAME ...
set -u
missing=()
for name in "$@"; do
  dpkg-query -W -f='${db:Status-Status}' "$name" 2>/dev/null | grep -qx installed || missing+=("$name")
done
[ ${#missing[@]} -eq 0 ] && exit 0

how="apt-get update && apt-get install -y --no-install-recommends ${missing[*]}"
echo "Evenwall needs Debian packages that are not here yet: ${missing[*]}" >&2
if ! command -v apt-get >/dev/null; then
  echo "There is no apt-get on this machine: install these by your system's own means." >&2
  exit 1
fi
as_root=()
if [ "$(id -u)" -ne 0 ]; then
  if ! command -v sudo >/dev/null; then
    echo "Not root and no sudo here. As root, run:  $how" >&2
    exit 1
  fi
  as_root=(sudo)
fi
echo "Installing them now:  $how" >&2
log=$(mktemp)
trap 'rm -f "$log"' EXIT
export DEBIAN_FRONTEND=noninteractive
if ! { "${as_root[@]}" apt-get update -qq && "${as_root[@]}" apt-get install -y -qq --no-install-recommends "${missing[@]}"; } >"$log" 2>&1; then
  tail -n 5 "$log" >&2
  echo "apt could not install them. As root, run:  $how" >&2
  exit 1
fi
