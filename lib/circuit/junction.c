/* SPDX-License-Identifier: GPL-3.0-or-later */
/* junction.c - a diode: I = Is (exp(V / n Vt) - 1) behind a resistance, as its tangent. */
#include <math.h>

#include "circuit/internal.h"

/* Volts at the junction itself when so many are across it and its resistance: v + r I(v) = volt.
 * Newton from above the answer in the forward direction converges, the function being convex there.
 */
static double junction_volts(const cj__junction *junction, double volt)
{
    double ohm = 1 / junction->series_conductance, is = junction->saturation_a,
           nvt = junction->volt;
    if (!(ohm > 0) || volt <= 0)
        return volt;
    /* both bounds lie above: all of it at the junction, or all of the current through the
     * resistance */
    double v = fmin(volt, nvt * log1p(volt / (ohm * is)));
    for (int k = 0; k < 40; k++) {
        double e = exp(v / nvt);
        double step = (v + ohm * is * (e - 1) - volt) / (1 + ohm * is * e / nvt);
        v -= step;
        if (fabs(step) < 1e-12)
            break;
    }
    return v;
}

void cj__junction_tangent(const cj__junction *junction, double volt, double *siemens,
                          double *ampere)
{
    double v = junction_volts(junction, volt), e = exp(fmin(v / junction->volt, 200));
    double own = junction->saturation_a * e / junction->volt;
    double current = junction->saturation_a * (e - 1);
    *siemens = own / (1 + own / junction->series_conductance);
    *ampere = current - *siemens * volt;
}

/* Steps beyond the bend grow with the logarithm only, as in L. W. Nagel, SPICE2 (1975), from
 * memory. */
double cj__junction_limit(const cj__junction *junction, double from, double to)
{
    double nvt = junction->volt, bend = nvt * log(nvt / (M_SQRT2 * junction->saturation_a));
    if (to <= bend || fabs(to - from) <= 2 * nvt)
        return to;
    if (from > 0) {
        double x = 1 + (to - from) / nvt;
        return x > 0 ? from + nvt * log(x) : bend;
    }
    return bend;
}

bool cj__junction_bends(const cj__junction *junction, double volt, double tone)
{
    double siemens, ampere, most = 0;
    cj__junction_tangent(junction, volt, &siemens, &ampere);
    for (int sign = -1; sign <= 1; sign += 2) {
        double there, current, at = volt + sign * tone;
        cj__junction_tangent(junction, at, &there, &current);
        most = fmax(most, fabs(there * at + current - (siemens * at + ampere)));
    }
    return most > 1e-10 && most > 3e-3 * siemens * tone;
}
