/* SPDX-License-Identifier: GPL-3.0-or-later */
/* stimulus.h - what the files of the test signals share. */
#ifndef CJ_SIGNAL_STIMULUS_H
#define CJ_SIGNAL_STIMULUS_H

#include "coldjoint/signal.h"

#define CJ__CHIRP_S 0.04 /* of each of the marker's two chirps */
#define CJ__MARKER_S 0.08
#define CJ__GAP_S 0.1 /* of silence before it, after it, and behind the signal */

#define CJ__MLS_LEAST 3
#define CJ__MLS_MOST 20

/* Edges of the square: standard deviation of the Gaussian, in samples. Its spectrum exp(-2 (pi
 * sigma f)^2) is 1e-4 at half the rate. */
#define CJ__EDGE_SIGMA 1.366
#define CJ__SQUARE_LEAST 20 /* samples of a period */

#define CJ__WHITE_CREST 4.0
#define CJ__PINK_CREST 4.5
#define CJ__NOISE_MARKER 2.0 /* the marker's peak over the noise's RMS */

/* The order m of the maximum-length sequence that a stimulus has; 0 where not even the shortest
 * fits. */
int cj__mls_order(const cj_stimulus *stimulus);
/* The sample (from the signal's first) at which level k of a stepped tone begins; k = steps: its
 * end. */
size_t cj__stepped_edge(const cj_stimulus *stimulus, int k);
/* Peak of level k. */
double cj__stepped_level(const cj_stimulus *stimulus, int k);

#endif
