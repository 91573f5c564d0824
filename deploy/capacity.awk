# Turns what `capacity` measured into the section for deploy/README.md. A line is: title,
# minutes, wall s, CPU s, peak memory kB, raw bytes, scratch bytes, MP3 bytes.

# What the tables assume; all are our choice.
BEGIN {
	redo = 2          # an hour is made this often: once, and again with its retakes and pickups
	busy_max = 0.7    # a machine this busy still answers soon
	ready_max_h = 1   # all that was read in a day and dropped at once is ready within this
	day_h = 8         # the hours of a day in which work arrives
	month_days = 20   # the days of a month on which one reads
	chapter_min = 35
	longest_h = 2     # the longest recording there must be room for
}

{
	hours = $2 / 60
	speed[NR] = $2 * 60 / $4
	row[NR] = sprintf("| %s, %d min | %.1f | %.1f | %.0f | %.2f | %.2f | %.2f |", $1, $2, speed[NR], $2 * 60 / $3, \
		$5 / 1024, $6 / hours / 1e9, $7 / hours / 1e9, $8 / hours / 1e9)
	share = $4 / $3
	if (NR == 1 || share < share_least) share_least = share
	if ($5 > job_kb) job_kb = $5
	if (NR == 1) {usual = speed[1]; usual_kept = kept_bytes / hours / 1e9}
	if (NR == 1 || speed[NR] < slowest) slowest = speed[NR]
	if ($6 / hours / 1e9 > raw_most) raw_most = $6 / hours / 1e9
	if ($7 / hours / 1e9 > scratch_most) scratch_most = $7 / hours / 1e9
}

# wait returns how long a job waits on average, in times of what it takes, on c cores
# that are busy by the share rho: Erlang's C formula for a queue with random arrivals and
# random lengths (M/M/c).
function wait(c, rho,    a, term, sum, k) {
	a = c * rho
	term = 1
	for (k = 0; k < c; k++) {sum += term; term *= a / (k + 1)}
	term /= 1 - rho
	return term / (sum + term) / (c * (1 - rho))
}

END {
	printf "\nMeasured on %s by `deploy/capacity` with chapters of %d min, on one core (%s).", day, minutes, core
	if (minutes < 35) printf " These chapters are shorter than usual ones; without a length `deploy/capacity --write` takes chapters of 35 minutes and a recording of two hours."
	if (share_least < 0.9) printf " **The machine had other work: Lectern had a core for only %.0f %% of the time, so go by the first column of speed, which counts only the time when it had one; even that is lower than on a free machine.**", 100 * share_least
	print "\n"
	print "| recording | hours of sound an hour, a core | the same by the clock | peak memory, MiB | raw, GB an hour | scratch and MP3 during work, GB an hour | MP3, GB an hour |"
	print "|---|---|---|---|---|---|---|"
	for (i = 1; i <= NR; i++) print row[i]
	printf "\nThe daemon itself, with one usual chapter in work, peaks at %.0f MiB. Of an hour of the usual kind it keeps %.2f GB:\nthe raw in the archive, the MP3, and what belongs to the report and the page. Scratch is free again when the chapter is done.\n", daemon_kb / 1024, usual_kept

	printf "\n**What machine a studio needs.** Reckoned from the usual recording above (%.1f hours an hour, a core) with what is our\nchoice: every hour read is made %d times, with retakes and pickups; a machine is busy at most %.0f %% of %d hours; and when\nall narrators drop a whole day's reading at once, all of it is ready within %d hour (a single long one takes its length / %.1f at most).\n\n", usual, redo, 100 * busy_max, day_h, ready_max_h, usual
	printf "- cores = the larger of narrators x hours x %d / (%.1f x %d x %.1f) and narrators x hours / (%.1f x %d), rounded up\n", redo, usual, day_h, busy_max, usual, ready_max_h
	printf "- memory = 1 GiB for the system + the daemon's %.0f MiB + %.0f MiB for each core, the worst job measured\n", daemon_kb / 1024, job_kb / 1024
	printf "- disk a month = narrators x hours x %d x %d days x %.2f GB; nothing is thrown away, so shelve books that are done\n", redo, month_days, usual_kept
	printf "- free besides, always: for each core a recording of %d hours of the largest kind: %.1f GB of raw and %.1f GB of scratch\n\n", longest_h, longest_h * raw_most, longest_h * scratch_most
	print "| narrators | hours read a day, each | cores | busy | all of a day at once is ready in | memory, GiB | disk a month, GB | free besides, GB |"
	print "|---|---|---|---|---|---|---|---|"
	split("1 1 3 6 12 24 48", narrators, " ")
	split("2 6 6 6 6 6 6", read, " ")
	for (i = 1; i in narrators; i++) {
		n = narrators[i] * read[i]
		c = up(n * redo / (usual * day_h * busy_max))
		if (up(n / (usual * ready_max_h)) > c) c = up(n / (usual * ready_max_h))
		printf "| %d | %d | %d | %.0f %% | %.0f min | %.1f | %.0f | %.0f |\n", narrators[i], read[i], c, \
			100 * n * redo / (usual * day_h * c), 60 * n / (usual * c), 1 + (daemon_kb + c * job_kb) / 1048576, \
			n * redo * month_days * usual_kept, c * longest_h * (raw_most + scratch_most)
	}

	printf "\n**When one machine is no longer enough.** Work arrives at some number of hours of sound an hour; a machine does cores x %.1f.\nThe share of the two is how busy it is, and the waiting follows from it. By the textbook's queue with random arrivals and\nrandom lengths (M/M/c, Erlang's C formula, from memory), a chapter of %d minutes, which takes %.1f min to make, waits on\naverage:\n\n", usual, chapter_min, chapter_min / usual
	print "| cores | hours of sound an hour at 70 % busy | of narrators reading at once | waits at 70 % | at 90 % | at 97 % |"
	print "|---|---|---|---|---|---|"
	split("1 2 4 8 16 32", cores, " ")
	for (i = 1; i in cores; i++) {
		c = cores[i]
		printf "| %d | %.0f | %d | %.0f s | %.0f s | %.0f s |\n", c, busy_max * c * usual, int(busy_max * c * usual / redo), \
			wait(c, 0.7) * 60 * chapter_min / usual, wait(c, 0.9) * 60 * chapter_min / usual, wait(c, 0.97) * 60 * chapter_min / usual
	}
	printf "\nSo one machine is enough as long as narrators reading at once x %d stays under %.1f x cores x %.1f. From there on the\nwaiting grows faster and faster, and at 100 %% without end: more cores are needed, or more machines. With recordings of\nthe slowest kind measured, put %.1f in place of %.1f. The dashboard shows it as \"Chapters at work, on average\".\n", redo, busy_max, usual, slowest, usual
	print ""
}

function up(x) { return x == int(x) ? x : int(x) + 1 }
