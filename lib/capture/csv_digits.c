/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "capture/csv_layout.h"

#include <limits.h>
#include <math.h>

cj__digits cj__digits_none(void)
{
    cj__digits digits;
    for (int i = 0; i <= 2 * CJ__DECADES; i++)
        digits.last[i] = CJ__NO_DIGIT;
    return digits;
}

static int slot_of(int lead)
{
    return (lead < -CJ__DECADES  ? -CJ__DECADES
            : lead > CJ__DECADES ? CJ__DECADES
                                 : lead) +
           CJ__DECADES;
}

void cj__digits_add(cj__digits *digits, const cj__number *number)
{
    if (number->lead == INT_MIN)
        return; /* a zero is printed in as many ways as there are */
    int *last = &digits->last[slot_of(number->lead)];
    if (number->last < *last)
        *last = number->last;
}

void cj__digits_to_base(cj__digits *digits, int shift)
{
    cj__digits old = *digits;
    for (int i = 0; i <= 2 * CJ__DECADES; i++) {
        int from = i - shift;
        bool known = from >= 0 && from <= 2 * CJ__DECADES && old.last[from] != CJ__NO_DIGIT;
        digits->last[i] = known ? old.last[from] + shift : CJ__NO_DIGIT;
    }
}

double cj__digit_at(const cj__digits *digits, double value)
{
    int last = CJ__NO_DIGIT;
    if (!isfinite(value)) /* a cell without a number */
        return 0;
    if (value != 0) {
        double lead = floor(log10(fabs(value)));
        last = digits->last[slot_of(lead < -CJ__DECADES ? -CJ__DECADES : (int)lead)];
    }
    for (int i = 0; i <= 2 * CJ__DECADES && value == 0; i++)
        if (digits->last[i] < last)
            last = digits->last[i];
    return last == CJ__NO_DIGIT || last < -300 ? 0 : last > 300 ? INFINITY : pow(10, last);
}
