/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Limits a good unit has to keep. */
#include "board/internal.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

enum whose { OF_NET, OF_PAIR };

/* Every figure that is a number and can be held against a limit (contract, section 1). */
static const struct figure {
    const char *name, *unit;
    enum whose whose;
} figures[] = {
    {"dc_v", "V", OF_NET},
    {"rms_v", "V", OF_NET},
    {"peak_v", "V", OF_NET},
    {"tone_hz", "Hz", OF_NET},
    {"tone_peak_v", "V", OF_NET},
    {"thd_percent", "%", OF_NET},
    {"thd_db", "dB", OF_NET},
    {"thdn_percent", "%", OF_NET},
    {"thdn_db", "dB", OF_NET},
    {"sinad_db", "dB", OF_NET},
    {"noise_v", "V", OF_NET},
    {"noise_a_v", "V", OF_NET},
    {"noise_468_v", "V", OF_NET},
    {"hum_v", "V", OF_NET},
    {"hum_hz", "Hz", OF_NET},
    {"clip_fraction", "", OF_NET},
    {"clip_high_v", "V", OF_NET},
    {"clip_low_v", "V", OF_NET},
    {"slew_v_per_s", "V/s", OF_NET},
    {"rise_s", "s", OF_NET},
    {"fall_s", "s", OF_NET},
    {"overshoot_percent", "%", OF_NET},
    {"stray_hz", "Hz", OF_NET},
    {"stray_v", "V", OF_NET},
    {"dropouts", "", OF_NET},
    {"drift_v_per_s", "V/s", OF_NET},
    {"imd_percent", "%", OF_NET},
    {"imd_db", "dB", OF_NET},
    {"resistance_ohm", "ohm", OF_NET},
    {"supply_a", "A", OF_NET},
    {"gain", "", OF_PAIR},
    {"gain_db", "dB", OF_PAIR},
    {"phase_deg", "deg", OF_PAIR},
    {"delay_s", "s", OF_PAIR},
    {"coherence", "", OF_PAIR},
    {"low_3db_hz", "Hz", OF_PAIR},
    {"high_3db_hz", "Hz", OF_PAIR},
};

enum { FIGURES = sizeof figures / sizeof figures[0] };

static const struct figure *read_figure(cj__reader *reader, const cj__yaml_node *map)
{
    const char *names[FIGURES + 1] = {NULL};
    int word = 0;
    const cj__yaml_node *node = cj__need(reader, map, "figure", "a limit");
    for (size_t i = 0; i < FIGURES; i++)
        names[i] = figures[i].name;
    return node != NULL && cj__word(reader, node, names, &word) ? &figures[word] : NULL;
}

/* A bound in the figure's unit: of a per cent figure 0.1 and 0.1% are the same. */
static bool read_bound(cj__reader *reader, const cj__yaml_node *map, const char *key,
                       const struct figure *figure, double *out)
{
    const cj__yaml_node *node = cj__yaml_get(map, key);
    bool percent = strcmp(figure->unit, "%") == 0;
    cj__range range = {percent ? "" : figure->unit, -1e15, 1e15, "a number within 1e15"};
    if (node == NULL)
        return true;
    if (!cj__number(reader, node, &range, out))
        return false;
    if (percent && strchr(node->text, '%') != NULL)
        *out *= 100;
    return true;
}

static void read_bounds(cj__reader *reader, const cj__yaml_node *map, const struct figure *figure,
                        cj_limit *limit)
{
    const cj__yaml_node *most = cj__yaml_get(map, "max");
    if (cj__yaml_get(map, "min") == NULL && most == NULL) {
        cj__wrong(reader, map, "a limit with no bound; expected min, max or both");
        return;
    }
    bool low = read_bound(reader, map, "min", figure, &limit->min);
    if (read_bound(reader, map, "max", figure, &limit->max) && low && limit->min > limit->max)
        cj__wrong(reader, most, "'%.40s' given for max; expected no less than min", most->text);
}

/* The step's index, -1: every step, -2: wrong. */
static int read_step(cj__reader *reader, const cj__yaml_node *map, cj_limit *limit)
{
    const char *text = NULL;
    const cj__yaml_node *node = cj__need(reader, map, "step", "a limit");
    if (node == NULL || !cj__text_of(reader, node, &text))
        return -2;
    const cj__name *known = cj__names_find(&reader->steps, text);
    if (strcmp(text, "*") != 0 && known == NULL) {
        cj__hint hint = cj__meant_name(reader, node, text, &reader->steps,
                                       "; expected one of the steps, or \"*\" for all of them");
        cj__wrong(reader, node, "no step is called '%.60s'%s", text, hint.text);
        return -2;
    }
    snprintf(limit->step, sizeof limit->step, "%s", text);
    return known ? known->index : -1;
}

static bool sees(const cj_step *step, cj_view view)
{
    for (int i = 0; i < step->see_count; i++)
        if (step->see[i].net == view.net && step->see[i].against == view.against)
            return true;
    return false;
}

/* A net that no capture shows can still be read with a meter, so this is a warning. */
static void warn_unseen(cj__reader *reader, const cj__yaml_node *node, const cj_limit *limit,
                        int step)
{
    const cj_board *board = reader->board;
    for (size_t i = 0; i < board->step_count; i++)
        if ((step < 0 || (size_t)step == i) && sees(&board->steps[i], limit->of))
            return;
    if (step < 0)
        cj__warn(reader, node, "no step sees %s; only readings typed in can meet this limit",
                 node->text);
    else
        cj__warn(reader, node,
                 "step %s does not see %s; only readings typed in can meet this limit", limit->step,
                 node->text);
}

static bool read_of(cj__reader *reader, const cj__yaml_node *map, const struct figure *figure,
                    int step, cj_limit *limit)
{
    const cj__yaml_node *node = cj__yaml_get(map, "of");
    const cj_board *board = reader->board;
    limit->of = (cj_view){CJ_NO_NET, CJ_GND};
    if (figure->whose == OF_PAIR && node != NULL) {
        cj__wrong_key(reader, node, "'of' for %s, a figure of both channels; expected none",
                      figure->name);
        return false;
    }
    if (figure->whose == OF_PAIR && step >= 0 && board->steps[step].see_count == 1) {
        cj__wrong(reader, cj__yaml_get(map, "figure"),
                  "%s takes two channels, but step '%s' sees one net", figure->name, limit->step);
        return false;
    }
    if (figure->whose == OF_PAIR)
        return true;
    if (node == NULL) {
        cj__wrong(reader, map, "the key 'of' is missing; %s is a figure of one net", figure->name);
        return false;
    }
    if (!cj__known_view(reader, node, &limit->of))
        return false;
    warn_unseen(reader, node, limit, step);
    return true;
}

/* Two limits on one figure of one net in one step contradict each other, or one is idle. */
static void check_twice(cj__reader *reader, const cj__yaml_node *map, const cj_limit *limit)
{
    char key[128];
    snprintf(key, sizeof key, "%s %s %d %d", limit->step, limit->figure, limit->of.net,
             limit->of.against);
    const cj__name *first = cj__names_find(&reader->limits, key);
    if (first != NULL) {
        cj__wrong(reader, map, "a second limit on %s in step '%s'; the first is in line %ld",
                  limit->figure, limit->step, first->line);
        return;
    }
    char *kept = cj_copy_text(key);
    size_t count = reader->limits.count;
    if (kept != NULL &&
        cj_reserve((void **)&reader->limit_keys, &reader->limit_key_capacity, count,
                   sizeof *reader->limit_keys) &&
        cj__names_add(&reader->limits, kept, 0, map->line)) {
        reader->limit_keys[count] = kept;
        return;
    }
    cj_free(kept);
    reader->memory_out = true;
}

static void read_plain(cj__reader *reader, const cj__yaml_node *map, cj_limit *limit)
{
    static const char *const keys[] = {"step", "figure", "of", "min", "max", NULL};
    cj__keys(reader, map, keys, "a limit");
    int step = read_step(reader, map, limit);
    const struct figure *figure = read_figure(reader, map);
    if (figure == NULL)
        return;
    snprintf(limit->figure, sizeof limit->figure, "%s", figure->name);
    read_bounds(reader, map, figure, limit);
    if (step > -2 && read_of(reader, map, figure, step, limit))
        check_twice(reader, map, limit);
}

static void read_derived(cj__reader *reader, const cj__yaml_node *map, cj_limit *limit)
{
    static const char *const keys[] = {"from", "sigmas", NULL};
    static const char *const sources[] = {"tolerance", NULL};
    static const cj__range range = {"", 0.5, 20, "how many standard deviations, from 0.5 to 20"};
    const cj_board *board = reader->board;
    int word = 0;
    limit->from_tolerance = true;
    cj__keys(reader, map, keys, "a limit from tolerances");
    cj__word(reader, cj__yaml_get(map, "from"), sources, &word);
    cj__number_needed(reader, map, "sigmas", &range, "a limit from tolerances", &limit->sigmas);
    for (const cj_limit *other = board->limits; other < limit; other++)
        if (other->from_tolerance) {
            cj__wrong(reader, map,
                      "limits from tolerances are asked for twice; the first is in "
                      "line %ld",
                      other->line);
            break;
        }
}

void cj__read_limits(cj__reader *reader, const cj__yaml_node *node)
{
    cj_board *board = reader->board;
    if (node == NULL || !cj__is(reader, node, CJ__YAML_LIST, "the list of limits"))
        return;
    if (node->count > CJ__BOARD_LIMITS) {
        cj__wrong(reader, node, "%zu limits given; expected %d at most", node->count,
                  CJ__BOARD_LIMITS);
        return;
    }
    board->limits = cj_new(node->count, sizeof *board->limits);
    if (board->limits == NULL)
        reader->memory_out = true;
    for (const cj__yaml_node *map = node->child; map && !reader->memory_out; map = map->next) {
        cj_limit *limit = &board->limits[board->limit_count++];
        *limit = (cj_limit){
            .of = {CJ_NO_NET, CJ_GND}, .min = -INFINITY, .max = INFINITY, .line = map->line};
        if (!cj__is(reader, map, CJ__YAML_MAP, "a limit"))
            continue;
        if (cj__yaml_get(map, "from") != NULL)
            read_derived(reader, map, limit);
        else
            read_plain(reader, map, limit);
    }
}
