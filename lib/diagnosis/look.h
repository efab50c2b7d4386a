/* SPDX-License-Identifier: GPL-3.0-or-later */
/* look.h - one look of an outlook: what the solver read becomes rows. */
#ifndef CJ_DIAGNOSIS_LOOK_H
#define CJ_DIAGNOSIS_LOOK_H

#include "diagnosis/scene.h"

#define CLEARLY 0.1   /* THD of a wave that clips */
#define GBW_WIDER 1.5 /* than the spread of one maker's op-amps */

typedef struct cj__filling {
    const cj__scene *scene;
    const cj__manner *manner;
    const cj_prediction *seen;
    const double *healthy;
    cj__outlook *out;
    const cj_parameter *parameters;
    size_t parameter_count;
    size_t look;       /* index into the scene's looks */
    bool spread;       /* fill in gradients too */
    double drive_peak; /* of the step */
} cj__filling;

/* V from rail to rail; 100 where the board states no supply. */
double cj__supply_span(const cj_board *board);
/* A fault whose circuit comes to no rest in the model: its readings of this look are anything that
 * the supply allows. */
void cj__look_lost(const cj__scene *scene, size_t look, cj__outlook *out);
void cj__look_fill(const cj__filling *filling);

#endif
