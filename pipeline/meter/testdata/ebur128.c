/* Measures interleaved 32-bit floats from standard input with libebur128.
 * Usage: ebur128 loudness|peaks RATE_HZ CHANNELS. It hands them over in pieces of
 * 10 ms, and for loudness asks for the momentary and short-term loudness after
 * each, once a window is full. */
#include <ebur128.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void fail(const char *what) {
	fprintf(stderr, "%s\n", what);
	exit(1);
}

static double larger(int failed, double so_far, const double *x) {
	if (failed) fail("no figure");
	return fmax(so_far, *x);
}

int main(int argc, char **argv) {
	if (argc != 4) fail("usage: ebur128 loudness|peaks RATE_HZ CHANNELS");
	const int peaks = strcmp(argv[1], "peaks") == 0;
	const long rate = atol(argv[2]);
	const int channels = atoi(argv[3]);
	const int mode = peaks ? EBUR128_MODE_SAMPLE_PEAK | EBUR128_MODE_TRUE_PEAK
			       : EBUR128_MODE_M | EBUR128_MODE_S | EBUR128_MODE_I | EBUR128_MODE_LRA;
	ebur128_state *st = ebur128_init(channels, rate, mode);
	float *piece = malloc(sizeof(float) * channels * (rate / 100 + 2));
	if (!st || !piece) fail("no memory");

	double momentary = -HUGE_VAL, short_term = -HUGE_VAL, x;
	size_t heard = 0;
	for (long hop = 1;; hop++) {
		const size_t want = (hop * rate + 50) / 100 - heard;
		const size_t got = fread(piece, sizeof(float) * channels, want, stdin);
		if (got > 0 && ebur128_add_frames_float(st, piece, got)) fail("add_frames");
		if (got < want) break;
		heard += got;
		if (!peaks && hop >= 40) momentary = larger(ebur128_loudness_momentary(st, &x), momentary, &x);
		if (!peaks && hop >= 300) short_term = larger(ebur128_loudness_shortterm(st, &x), short_term, &x);
	}
	if (peaks) {
		double sample_peak = 0, true_peak = 0;
		for (int c = 0; c < channels; c++) {
			sample_peak = larger(ebur128_sample_peak(st, c, &x), sample_peak, &x);
			true_peak = larger(ebur128_true_peak(st, c, &x), true_peak, &x);
		}
		printf("sample-peak %.9f\ntrue-peak %.9f\n", 20 * log10(sample_peak), 20 * log10(true_peak));
		return 0;
	}
	double integrated, range;
	if (ebur128_loudness_global(st, &integrated) || ebur128_loudness_range(st, &range)) fail("no figure");
	printf("integrated %.9f\nrange %.9f\nmomentary %.9f\nshort-term %.9f\n", integrated, range, momentary, short_term);
	return 0;
}
