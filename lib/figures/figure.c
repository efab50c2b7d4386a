/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A set of named figures. */
#include "figures/internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

const cj_figure *cj_figure_find(const cj_figure_set *set, const char *name)
{
    for (size_t i = 0; set && i < set->count; i++)
        if (strcmp(set->items[i].name, name) == 0)
            return &set->items[i];
    return NULL;
}

cj_status cj_figure_add(cj_figure_set *set, const cj_figure *figure)
{
    if (!cj_reserve((void **)&set->items, &set->capacity, set->count, sizeof *set->items))
        return CJ_NOMEM;
    set->items[set->count++] = *figure;
    return CJ_OK;
}

void cj_figure_set_free(cj_figure_set *set)
{
    if (set == NULL)
        return;
    cj_free(set->items);
    *set = (cj_figure_set){0};
}

static cj_figure blank(const char *name, const char *unit)
{
    return (cj_figure){.name = name, .unit = unit, .value = NAN, .u = NAN, .bound = NAN};
}

cj_status cj__add_value(cj_figure_set *set, const char *name, const char *unit, double value,
                        double u)
{
    cj_figure figure = blank(name, unit);
    if (isfinite(value)) {
        figure.value = value;
        figure.u = u;
    } else {
        snprintf(figure.why, sizeof figure.why, "it could not be worked out from this record");
    }
    return cj_figure_add(set, &figure);
}

cj_status cj__add_missing(cj_figure_set *set, const char *name, const char *unit, const char *why)
{
    cj_figure figure = blank(name, unit);
    snprintf(figure.why, sizeof figure.why, "%s", why);
    return cj_figure_add(set, &figure);
}

cj_status cj__add_bound(cj_figure_set *set, const char *name, const char *unit, cj_bound kind,
                        double bound, const char *why)
{
    cj_figure figure = blank(name, unit);
    if (isfinite(bound)) {
        figure.bound_kind = kind;
        figure.bound = bound;
    }
    snprintf(figure.why, sizeof figure.why, "%s", why);
    return cj_figure_add(set, &figure);
}

cj_status cj__add_word(cj_figure_set *set, const char *name, const char *word)
{
    cj_figure figure = blank(name, "");
    figure.word = word;
    return cj_figure_add(set, &figure);
}

double cj__value(const cj_figure_set *set, const char *name)
{
    const cj_figure *figure = cj_figure_find(set, name);
    return figure ? figure->value : NAN;
}

double cj__to_db(double ratio)
{
    return 20 * log10(ratio);
}

double cj__wrap_degrees(double degrees)
{
    double wrapped = remainder(degrees, 360);
    return wrapped <= -180 ? 180 : wrapped;
}
