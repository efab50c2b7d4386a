/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A reading as people write it: typed behind the command, or a row of a readings file. */
#include "diagnosis/observed.h"

#include <ctype.h>
#include <math.h>
#include <string.h>

#include "base/yaml.h"

enum { SHOWN = 60 /* characters of a name that an error repeats */ };

/* ---- names ---- */

/* The nearest of count names, each `stride` bytes after the one before. NULL: none, or no memory.
 */
static const char *nearest(const char *word, const char *first, size_t stride, size_t count)
{
    const char **known = cj_new(count + 1, sizeof *known);
    if (known == NULL)
        return NULL;
    for (size_t i = 0; i < count; i++)
        known[i] = first + i * stride;
    const char *meant = cj__nearest(word, known);
    cj_free(known);
    return meant;
}

const char *cj_step_meant(const cj_board *board, const char *name)
{
    if (board->step_count == 0)
        return NULL;
    return nearest(name, board->steps[0].name, sizeof board->steps[0], board->step_count);
}

static cj_status find_step(const cj_board *board, const char *name, size_t *step, cj_error *err)
{
    int found = cj_board_step(board, name);
    if (found >= 0) {
        *step = (size_t)found;
        return CJ_OK;
    }
    const char *meant = cj_step_meant(board, name);
    if (meant != NULL)
        return cj_fail(err, CJ_DATA, NULL, 0, 0, "the board has no step '%.*s'; did you mean '%s'?",
                       SHOWN, name, meant);
    return cj_fail(err, CJ_DATA, NULL, 0, 0,
                   "the board has no step '%.*s'; 'coldjoint board' lists its steps", SHOWN, name);
}

static cj_status find_figure(const char *name, const cj__readable **figure, cj_error *err)
{
    const char *known[64] = {0};
    *figure = cj__readable_find(name);
    if (*figure != NULL)
        return CJ_OK;
    if (strcmp(name, "polarity") == 0)
        return cj_fail(err, CJ_DATA, NULL, 0, 0,
                       "polarity is a word and no reading; give phase_deg (0 or 180)");
    for (size_t i = 0; cj__readables[i].name != NULL && i + 1 < 64; i++)
        known[i] = cj__readables[i].name;
    const char *meant = cj__nearest(name, known);
    for (size_t i = 0; meant == NULL && known[i] != NULL; i++)
        if (strncmp(known[i], name, strlen(name)) == 0 && known[i][strlen(name)] == '_')
            meant = known[i]; /* dc for dc_v: the unit left out */
    if (meant != NULL)
        return cj_fail(err, CJ_DATA, NULL, 0, 0, "no figure '%.*s'; did you mean '%s'?", SHOWN,
                       name, meant);
    return cj_fail(err, CJ_DATA, NULL, 0, 0,
                   "no figure '%.*s'; a reading is one like dc_v, rms_v, resistance_ohm or gain_db",
                   SHOWN, name);
}

static cj_status find_view(const cj_board *board, const char *name, cj_view *view, cj_error *err)
{
    if (cj_board_view(board, name, view))
        return CJ_OK;
    const char *meant = nearest(name, board->nets[0], sizeof board->nets[0], board->net_count);
    if (meant != NULL)
        return cj_fail(err, CJ_DATA, NULL, 0, 0, "the board has no net '%.*s'; did you mean '%s'?",
                       SHOWN, name, meant);
    return cj_fail(err, CJ_DATA, NULL, 0, 0,
                   "the board has no net '%.*s'; a net, or NET-NET for across two, is wanted",
                   SHOWN, name);
}

/* Where a figure of one net was read, when nobody said it. */
static cj_status only_view(const cj_board *board, const cj_step *step, const char *figure,
                           cj_view *view, cj_error *err)
{
    char nets[2][72] = {"", ""};
    if (step->see_count == 1) {
        *view = step->see[0];
        return CJ_OK;
    }
    for (int i = 0; i < step->see_count; i++)
        cj_board_view_text(board, step->see[i], nets[i], sizeof nets[i]);
    return cj_fail(err, CJ_DATA, NULL, 0, 0,
                   "%s of which net? step '%s' looks at %s and %s: write %s@%s or %s@%s", figure,
                   step->name, nets[0], nets[1], figure, nets[0], figure, nets[1]);
}

/* ---- numbers ---- */

/* The unit that may stand behind the number. */
static const char *written_unit(const cj__readable *figure)
{
    bool bare = strcmp(figure->unit, "1") == 0 || strcmp(figure->unit, "V/V") == 0;
    return bare || strcmp(figure->unit, "%") == 0 ? "" : figure->unit;
}

/* A quantity in the figure's unit. The sign of per cent stands behind percentages only, and changes
 * nothing. */
static cj_status read_number(const char *text, const cj__readable *figure, double *value,
                             cj_error *err)
{
    char plain[80];
    size_t length = strlen(text);
    while (length > 0 && isspace((unsigned char)text[length - 1]))
        length--;
    bool percent = length > 0 && text[length - 1] == '%';
    if (length >= sizeof plain)
        return cj_fail(err, CJ_DATA, NULL, 0, 0, "'%.20s...' is no number: too long", text);
    if (percent && strcmp(figure->unit, "%") != 0)
        return cj_fail(err, CJ_DATA, NULL, 0, 0, "'%s' is in per cent, and %s is in %s", text,
                       figure->name, figure->unit);
    length -= percent;
    memcpy(plain, text, length);
    plain[length] = '\0';
    return cj_quantity_read(plain, written_unit(figure), value, err);
}

/* Half of what one step of the last digit is worth: the digit is changed by one and read again. */
static double half_digit(const char *text, const cj__readable *figure, double value)
{
    char other[80];
    double changed = value;
    size_t length = strlen(text), last = 0;
    bool found = false;
    if (length >= sizeof other)
        return 0;
    memcpy(other, text, length + 1);
    /* the digits of an exponent are none of the number's */
    for (size_t i = 0; i < length && other[i] != 'e' && other[i] != 'E'; i++)
        if (isdigit((unsigned char)other[i])) {
            last = i;
            found = true;
        }
    if (!found)
        return 0;
    other[last] = other[last] == '9' ? '8' : (char)(other[last] + 1);
    if (read_number(other, figure, &changed, NULL) != CJ_OK)
        return 0;
    return 0.5 * fabs(changed - value);
}

static cj_status read_value(const cj__typed *typed, const cj__readable *figure, cj_observation *out,
                            cj__reading_part *where, cj_error *err)
{
    const char *value = typed->part[CJ__VALUE], *u = typed->part[CJ__U];
    *where = CJ__VALUE;
    cj_status status = read_number(value, figure, &out->value, err);
    if (status != CJ_OK)
        return status;
    if (figure->positive && out->value < 0)
        return cj_fail(err, CJ_DATA, NULL, 0, 0, "'%s': %s is never below zero", value,
                       figure->name);
    if (*u == '\0') {
        out->u = 0.01 * fabs(out->value) + half_digit(value, figure, out->value);
        return CJ_OK;
    }
    *where = CJ__U;
    status = read_number(u, figure, &out->u, err);
    if (status == CJ_OK && !(out->u > 0))
        status =
            cj_fail(err, CJ_DATA, NULL, 0, 0,
                    "'%s': a standard uncertainty is above zero; leave it out for the default", u);
    return status;
}

/* ---- one reading ---- */

static cj_status read_place(const cj_board *board, const cj__typed *typed,
                            const cj__readable *figure, cj_observation *out, cj_error *err)
{
    const cj_step *step = &board->steps[out->step];
    const char *net = typed->part[CJ__NET];
    cj_status status = CJ_OK;
    out->of = (cj_view){.net = CJ_NO_NET, .against = CJ_GND};
    if (figure->pair && *net != '\0')
        return cj_fail(err, CJ_DATA, NULL, 0, 0,
                       "%s is of channel 2 against channel 1 and takes no net: leave '%.*s' out",
                       figure->name, SHOWN, net);
    if (figure->pair)
        return step->see_count == 2 ? CJ_OK
                                    : cj_fail(err, CJ_DATA, NULL, 0, 0,
                                              "%s wants two nets, and step '%s' looks at one",
                                              figure->name, step->name);
    if (*net != '\0')
        status = find_view(board, net, &out->of, err);
    else
        status = only_view(board, step, figure->name, &out->of, err);
    if (status == CJ_OK && strcmp(figure->name, "supply_a") == 0 &&
        (out->of.net != board->v_plus && out->of.net != board->v_minus))
        status = cj_fail(err, CJ_DATA, NULL, 0, 0, "supply_a is of a rail: supply_a@v+");
    return status;
}

cj_status cj__typed_read(const cj_board *board, const cj__typed *typed, cj_observation *out,
                         cj__reading_part *where, cj_error *err)
{
    const cj__readable *figure = NULL;
    *out = (cj_observation){.value = NAN, .u = NAN, .bound = NAN};
    *where = CJ__STEP;
    cj_status status = find_step(board, typed->part[CJ__STEP], &out->step, err);
    if (status != CJ_OK)
        return status;
    *where = CJ__FIGURE;
    status = find_figure(typed->part[CJ__FIGURE], &figure, err);
    if (status != CJ_OK)
        return status;
    memcpy(out->figure, figure->name, strlen(figure->name));
    const cj_step *step = &board->steps[out->step];
    if (strcmp(figure->name, "resistance_ohm") == 0 && !step->power_off)
        return cj_fail(err, CJ_DATA, NULL, 0, 0,
                       "resistance is read with the power off, and step '%s' has it on; a step "
                       "with 'power: off' is wanted",
                       step->name);
    *where = CJ__NET;
    status = read_place(board, typed, figure, out, err);
    if (status == CJ_OK)
        status = read_value(typed, figure, out, where, err);
    return status;
}

/* ---- typed behind the command ---- */

/* Cuts text at the first mark; what is behind it, or the empty end of text where there is none. */
static char *cut(char *text, char mark)
{
    char *at = strchr(text, mark);
    if (at == NULL)
        return text + strlen(text);
    *at = '\0';
    return at + 1;
}

cj_status cj_observed_add_typed(cj_observed *observed, const char *text, cj_error *err)
{
    cj_error why = {0};
    cj__typed typed;
    cj__reading_part where;
    cj_observation one;
    char *copy = cj_copy_text(text);
    if (copy == NULL)
        return cj_fail_memory(err);
    char *value = cut(copy, '='), *figure = cut(copy, ':');
    char *net = cut(figure, '@'), *u = cut(value, '~');
    typed = (cj__typed){.part = {[CJ__STEP] = copy,
                                 [CJ__FIGURE] = figure,
                                 [CJ__NET] = net,
                                 [CJ__VALUE] = value,
                                 [CJ__U] = u}};
    cj_status status;
    if (*copy == '\0' || *figure == '\0' || *value == '\0')
        status = cj_fail(&why, CJ_DATA, NULL, 0, 0,
                         "expected STEP:FIGURE[@NET]=VALUE[~U], as in quiet:dc_v@left_out=-10.4");
    else
        status = cj__typed_read(observed->board, &typed, &one, &where, &why);
    if (status == CJ_OK)
        status = cj_observed_add(observed, &one, err);
    else if (status == CJ_DATA)
        status = cj_fail(err, CJ_USAGE, NULL, 0, 0, "'%.100s': %s", text, why.message);
    else if (err != NULL)
        *err = why;
    cj_free(copy);
    return status;
}
