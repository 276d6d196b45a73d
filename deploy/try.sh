#!/usr/bin/env bash
# Shows stillwell at work on a simulated tank: nothing is wired, nothing outside this folder is changed.
#   deploy/try.sh                     three days in seconds, last night's review, then live
#   deploy/try.sh --fault NAME        the same, then an alarm raised, acknowledged and cleared in a minute
#   deploy/try.sh --faults            which faults there are
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."

fault=""
list=0
while (($#)); do
    case "$1" in
        --fault)
            fault="${2:?--fault needs a name; deploy/try.sh --faults lists them}"
            shift 2
            ;;
        --faults)
            list=1
            shift
            ;;
        *)
            echo "unknown argument $1. Known: --fault NAME, --faults" >&2
            exit 2
            ;;
    esac
done

say() { echo "== $*"; }

python="${STILLWELL_PYTHON:-python3}"
if ! "$python" -c 'import venv, ensurepip' >/dev/null 2>&1; then
    if [[ $EUID -eq 0 ]]; then root=(); else root=(sudo); fi
    say "installing python3-venv"
    "${root[@]}" apt-get update -qq
    "${root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends python3 python3-venv >/dev/null
fi
if [[ ! -x .venv/bin/python ]]; then
    say "making .venv"
    "$python" -m venv .venv
fi
if [[ ! -x .venv/bin/stillwell || pyproject.toml -nt .venv/.stillwell-try || requirements.lock -nt .venv/.stillwell-try ]]; then
    say "installing stillwell and its packages into .venv (a minute; a few on a Zero 2 W)"
    deploy/packages.sh .venv/bin/python requirements.lock --editable
    touch .venv/.stillwell-try
fi
stillwell="$PWD/.venv/bin/stillwell"
if [[ $EUID -eq 0 && ! -e /usr/share/javascript/dygraphs ]]; then
    say "installing libjs-dygraphs, for the charts of the page"
    { apt-get update -qq && DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends \
        libjs-dygraphs >/dev/null; } || say "it could not be had; the page shows pictures without it"
fi

if ((list)); then
    exec "$stillwell" simulate --faults
fi

folder="$PWD/.try"
mkdir -p "$folder"
config="$folder/stillwell.toml"
rm -f "$folder/reading-room.db"*
# The store is beside it: whoever names the configuration need not name that as well.
sed 's|^path = .*|path = "reading-room.db"|' config/reading-room-simulated.toml >"$config"
begun="$(date -u -d '3 days ago' +%Y-%m-%dT%H:%M:%SZ)"
now="$(date -u +%Y-%m-%dT%H:%M:%SZ)"

if (exec 3<>/dev/tcp/127.0.0.1/1883) 2>/dev/null; then
    cat >>"$config" <<'TOML'

[sink.broker]
kind = "mqtt"
host = "127.0.0.1"
TOML
    say "a broker answers on localhost: publishing there. Watch with: mosquitto_sub -v -t 'stillwell/#'"
else
    say "no broker answers on localhost:1883: nothing is published; everything else works without one"
fi

say "three days of a 68-litre tank, simulated"
"$stillwell" simulate --config "$config" --from "$begun" --until "$now"

say "the heater, learned from the water's temperature alone in these three days"
"$stillwell" heater --config "$config"

say "the review of last night"
"$stillwell" review --config "$config"

cat <<TEXT
== look at it from another terminal. This line first, once there; then stillwell is found, and means this tank:
     export PATH="$PWD/.venv/bin:\$PATH" STILLWELL_CONFIG="$config"
     stillwell status                  # whether it is watched, and how everything stands
     stillwell alarms                  # what stands
     stillwell review --last 2         # the last two nights
     stillwell export -o tank.csv      # every reading
== stop with Ctrl-C
TEXT

run=("$stillwell" run --config "$config" --begun "$begun")
if [[ -z $fault ]]; then
    say "live now: a reading every 30 s; alarms are printed here when there are any"
    exec "${run[@]}"
fi

# Time runs faster, so that hours of cooling water pass in a minute.
# Long enough for the water to leave its band, from wherever in its cycle the heater stood.
lasts="300 min"
say "live now, WITH SIMULATED TIME 400 TIMES AS FAST (a second is 7 minutes)"
say "in a moment: $fault, for $lasts of the tank's time. If nobody acknowledges the alarm within 3 s, this script does."
"${run[@]}" --speed 400 --fault "$fault" --for "$lasts" &
daemon=$!
trap 'kill -TERM $daemon 2>/dev/null || true; wait $daemon 2>/dev/null || true' EXIT
trap 'exit 130' INT TERM

log() { "$stillwell" alarms --config "$config" --log 20; }
# Read whole, not through "grep -q": it leaves at the first match, and the pipe breaks.
# That a demonstration is watched is said on standard error each time, and would stand between the alarms.
states() { "$stillwell" alarms --config "$config" --json "$@" 2> >(grep -v '^{"remark"' >&2); }
waits_for_an_answer() { [[ $1 == *unacknowledged\"* ]]; }
all_quiet() { [[ $1 != *'"active": true'* ]]; }
# Beside the early alarm: when the band alone would have spoken, its delay included.
early() {
    states --log 200 | .venv/bin/python -c '
import json, sys
from datetime import datetime
raised = {}
for line in sys.stdin:
    change = json.loads(line)
    if change["event"] == "raise":
        raised[change["alarm"]] = datetime.fromisoformat(change["time"].replace("Z", "+00:00"))
for ours, band in (("heater.not-heating", "water.low"), ("heater.stuck-on", "water.high")):
    if ours in raised and band in raised:
        early = (raised[band] - raised[ours]).total_seconds() / 60
        how = f"{early:.0f} min later" if early >= 0 else f"{-early:.0f} min earlier"
        print(f"== {ours} spoke at {raised[ours]:%H:%M} UTC, having learned for three days; the plain "
              f"band ({band}) would have spoken at {raised[band]:%H:%M}, {how}")
    elif ours in raised:
        print(f"== {ours} spoke at {raised[ours]:%H:%M} UTC, having learned for three days; the plain "
              f"band ({band}) has not spoken yet")
'
}
rang=0
end=$((SECONDS + 120))
while ((SECONDS < end)); do
    kill -0 "$daemon" 2>/dev/null || exit 1
    now="$(states)"
    if waits_for_an_answer "$now"; then
        if ((!rang)); then sleep 3; fi
        rang=1
        if waits_for_an_answer "$(states)"; then
            say "acknowledging: $stillwell ack --all --by try.sh --config $config"
            "$stillwell" ack --all --by try.sh --config "$config" || true # somebody may have been faster
        fi
    elif ((rang)) && all_quiet "$now"; then
        say "raised, acknowledged, cleared. The log: $stillwell alarms --config $config --log 20"
        log
        early
        exit 0
    fi
    sleep 2
done
if ((rang)); then
    early
    say "an alarm still stands; stopping here. Look at it with: $stillwell alarms --config $config"
else
    say "no alarm: $fault needs more time than this, or harms nothing that is watched here; stopping"
fi
