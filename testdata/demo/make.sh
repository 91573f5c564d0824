#!/usr/bin/env bash
# Makes the raw take of `lectern demo` from text.txt: a synthetic voice, read
# unevenly, in a room with noise and rumble, with a mouse click before the
# first word. Needs espeak-ng and sox. Usage: make.sh [OUT.wav]
set -euo pipefail
export LC_ALL=C

here=$(cd "$(dirname "$0")" && pwd)
out=${1:-"$here/../../cmd/lectern/demo/03 The Ferry.wav"}
tmp=$(mktemp -d)
trap 'rm -rf "$tmp"' EXIT

rate_hz=24000   # the voice itself holds nothing above 11 kHz
head_s=2.5      # room before the first word
click_s=1.3     # 1.2 s before the first word
tail_s=1.5      # room after the last word
peak_dbfs=-6.6  # of the voice alone; the room brings the take to about -6.5
noise_dbfs=-70  # RMS of the room's hiss
rumble_dbfs=-44 # RMS of a fan or a road, 22 to 34 Hz

# -R makes sox's noise the same every time, -D keeps it from adding dither.
quiet() { sox -R -D -V1 "$@"; }

# to_rms IN OUT DB writes IN at a plain RMS of DB dBFS.
to_rms() {
	local now
	now=$(sox "$1" -n stats 2>&1 | awk '/^RMS lev dB/ {print $4}')
	quiet "$1" "$2" gain "$(awk -v want="$3" -v now="$now" 'BEGIN {printf "%.2f", want - now}')"
}

silence() { quiet -n -r "$rate_hz" -b 32 -e signed -c 1 "$1" trim 0 "$2"; }

# The voice: one phrase a line, "LEVEL PAUSE|words", at its own level.
silence "$tmp/000.wav" "$head_s"
n=0
while IFS='|' read -r how words; do
	read -r level_db pause_s <<<"$how"
	n=$((n + 1))
	id=$(printf '%03d' "$n")
	espeak-ng -v en-gb -s 168 -p 38 -w "$tmp/voice.wav" -- "$words"
	quiet "$tmp/voice.wav" -r "$rate_hz" -b 32 -e signed "$tmp/cut.wav" gain -6 \
		silence 1 0.005 0.2% reverse silence 1 0.005 0.2% reverse
	to_rms "$tmp/cut.wav" "$tmp/$id-a.wav" "$level_db"
	if [ "$pause_s" = 0.0 ]; then pause_s=$tail_s; fi
	silence "$tmp/$id-b.wav" "$pause_s"
done <"$here/text.txt"
quiet "$tmp"/[0-9]*.wav "$tmp/speech.wav" gain -n "$peak_dbfs"
length_s=$(soxi -D "$tmp/speech.wav")

# The room, laid under all of it.
room() { quiet -n -r "$rate_hz" -b 32 -e signed -c 1 "$1" synth "$length_s" "${@:2}"; }
room "$tmp/pink.wav" pinknoise gain -12
to_rms "$tmp/pink.wav" "$tmp/noise.wav" "$noise_dbfs"
room "$tmp/brown.wav" brownnoise gain -6 sinc -t 8 22-34
to_rms "$tmp/brown.wav" "$tmp/rumble.wav" "$rumble_dbfs"

# A mouse click: the button goes down, and up again 90 ms later.
quiet -n -r "$rate_hz" -b 32 -e signed -c 1 "$tmp/down.wav" synth 0.006 whitenoise highpass 1500 fade l 0 0.006 0.005 gain -n -20 pad "$click_s"
quiet "$tmp/down.wav" "$tmp/up.wav" gain -5 pad 0.09

quiet -m -v 1 "$tmp/speech.wav" -v 1 "$tmp/noise.wav" -v 1 "$tmp/rumble.wav" -v 1 "$tmp/down.wav" -v 1 "$tmp/up.wav" \
	-b 16 "$tmp/take.wav"
mv "$tmp/take.wav" "$out"
