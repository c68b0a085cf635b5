# Sourced by the two commands: makes .venv from the pinned requirements, once for each change of them.
# Every package is pinned, so nothing is resolved: what is not in the list is not installed.
cd "$here"
python=$(command -v python3.11 || command -v python3)
pins=deploy/requirements${extras:+-$extras}.txt
venv=$here/.venv${extras:+-$extras}
stamp=$venv/.installed
if ! cmp -s "$pins" "$stamp" 2>/dev/null; then
    echo "installing into $(basename "$venv") (once)" >&2
    "$python" -m venv "$venv"
    "$venv/bin/python" -m pip install --quiet --disable-pip-version-check --no-deps -r "$pins"
    "$venv/bin/python" -m pip install --quiet --disable-pip-version-check --no-deps -e .
    "$venv/bin/python" -m compileall -q bot flows workers
    cp "$pins" "$stamp"
fi
