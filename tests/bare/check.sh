#!/usr/bin/env bash
# Installs flashpan on a minimal Debian, without any graphics library, and runs it there.
#
#   tests/bare/check.sh [WHEEL]      as root; needs debootstrap; a few minutes, 1 GB in $TMPDIR
#
# SUITE (default bookworm) names the Debian release, PYTHON the Python that builds the wheel.
# Mirror, proxy, certificates and pip's settings are those of this system, read as it runs.
# Exit status: 0 all well, 1 flashpan fails there, 77 the root could not be prepared.
set -euo pipefail

project=$(cd "$(dirname "$0")/../.." && pwd -P)
suite=${SUITE:-bookworm}
python=${PYTHON:-python3}

say() { echo "$0: $*" >&2; }
unprepared() { say "$*"; exit 77; }
failed() { say "FAILED: $*"; exit 1; }

[ "$(id -u)" = 0 ] || unprepared "only root can make a Debian root"
for tool in debootstrap apt-get chroot; do
  command -v "$tool" >/dev/null || unprepared "$tool is missing; apt-get install $tool"
done

work=$(mktemp -d "${TMPDIR:-/tmp}/flashpan-bare.XXXXXX")
work=$(cd "$work" && pwd -P)
root=$work/root
mounted_below() { awk -v top="$work/" 'index($2, top) == 1 { print $2 }' /proc/self/mounts | sort -r; }

tidy() {
  local place
  for place in $(mounted_below); do umount "$place" 2>/dev/null || umount -l "$place"; done
  # whatever is still mounted belongs to the system: leave the tree rather than reach into it
  if [ -n "$(mounted_below)" ]; then
    say "$work is left behind: still mounted: $(mounted_below | tr '\n' ' ')"
  else
    rm -rf --one-file-system -- "$work"
  fi
}
trap tidy EXIT
case $work/ in "$project"/*) unprepared "TMPDIR lies inside the project; set another" ;; esac

# The mirror that apt uses for Debian proper: not one of security updates or of other vendors.
mirror=$(apt-get indextargets --format '$(SITE)' \
  'Identifier: Packages' 'Origin: Debian' 'Label: Debian' 'Component: main' | sort -u | head -n 1)
[ -n "$mirror" ] || unprepared "apt knows no Debian mirror; apt-get update"
proxy=$(apt-config shell proxy Acquire::http::Proxy)
eval "$proxy"
export http_proxy=${http_proxy:-${proxy:-}}
[ -n "$http_proxy" ] || unset http_proxy

wheel=${1:-}
if [ -z "$wheel" ]; then
  "$python" -m pip wheel -q --no-deps -w "$work/wheel" "$project" >&2 ||
    unprepared "the wheel does not build"
  wheel=$(echo "$work"/wheel/flashpan-*.whl)
fi

say "making a minimal $suite root"
debootstrap --variant=minbase --include=python3,python3-venv "$suite" "$root" "$mirror" \
  >"$work/debootstrap.log" 2>&1 || { tail -n 5 "$work/debootstrap.log" >&2; unprepared "debootstrap failed"; }

# The network as this system has it: names, certificates, pip's settings and files they name.
same_place() {  # same_place PATH...: copies files and folders into the root, links followed
  local path
  for path in "$@"; do
    if [ -e "$path" ]; then
      mkdir -p "$root$(dirname "$path")"
      cp -rL -- "$path" "$root$(dirname "$path")/"
    fi
  done
}
same_place /etc/resolv.conf /etc/hosts /etc/ssl/certs/ca-certificates.crt
# pip lists its settings as name='value'
mapfile -t settings < <("$python" -m pip config list 2>/dev/null | sed -n "s/^[^=]*='\(.*\)'$/\1/p")
for value in ${settings[@]+"${settings[@]}"}; do
  if [ -f "$value" ]; then same_place "$value"; fi
done
mapfile -t files < <("$python" -m pip config debug 2>/dev/null | sed -n 's/^ *\(\/.*\), exists: True$/\1/p')
same_place ${files[@]+"${files[@]}"}
for path in "${SSL_CERT_FILE:-}" "${REQUESTS_CA_BUNDLE:-}" "${CURL_CA_BUNDLE:-}"; do
  if [ -n "$path" ]; then same_place "$path"; fi
done

inside() { HOME=/root chroot "$root" /usr/bin/env -u PYTHONPATH -u VIRTUAL_ENV LC_ALL=C.UTF-8 PATH=/usr/sbin:/usr/bin:/sbin:/bin "$@"; }

say "installing $(basename "$wheel")"
mkdir -p "$root/take" && cp -- "$wheel" "$root/take/"
inside python3 -m venv /venv || unprepared "no virtual environment in the root"
inside /venv/bin/pip install -qq "/take/$(basename "$wheel")" >&2 ||
  unprepared "pip install failed in the root"

say "running flashpan"
inside /venv/bin/flashpan --help >"$work/help.txt" || failed "flashpan --help"
grep -q Usage "$work/help.txt" || failed "flashpan --help says nothing"
inside /venv/bin/python - <<'PYTHON' || failed "a module does not import"
import importlib
import pkgutil

import flashpan

for module in pkgutil.walk_packages(flashpan.__path__, "flashpan."):
    if not module.name.endswith("__main__"):
        importlib.import_module(module.name)
PYTHON
inside /usr/bin/env -C /take /venv/bin/flashpan demo >"$work/demo.txt" || failed "flashpan demo"
cat "$work/demo.txt"

graphics=$(find "$root" -xdev \( -name 'libGL[.-]*' -o -name 'libEGL[.-]*' -o -name 'libX11[.-]*' \))
[ -z "$graphics" ] || failed "graphics libraries have come in: $graphics"
say "all well: no graphics library in $(du -sxm "$root" | cut -f1) MB, $(inside /venv/bin/python --version)"
