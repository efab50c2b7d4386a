/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The answer of `plan` as JSON. */
#include "report/plan.h"

#include <math.h>

static json_t *text_value(struct cj__json *json, cj_text *text)
{
    json_t *value = text->failed ? NULL : cj__json_text(text->bytes ? text->bytes : "");
    json->failed = json->failed || text->failed;
    cj_text_free(text);
    return value;
}

static json_t *channels_value(struct cj__json *json, const cj_board *board, const cj_step *step)
{
    json_t *list = json_array();
    for (int c = 0; c < step->see_count; c++) {
        json_t *object = json_object();
        char net[80];
        cj_text at = {0};
        cj_board_view_text(board, step->see[c], net, sizeof net);
        cj__plan_view(&at, board, step->see[c]);
        cj__json_set(json, object, "channel", json_integer(c + 1));
        cj__json_set(json, object, "net", cj__json_text(net));
        cj__json_set(json, object, "at", text_value(json, &at));
        cj__json_append(json, list, object);
    }
    return list;
}

/* Every control; changed: only those that are turned. */
static json_t *settings_value(struct cj__json *json, const cj_board *board, const cj_step *step,
                              const cj__stand *before, bool changed)
{
    json_t *object = json_object();
    for (size_t p = 0; p < board->part_count; p++) {
        const cj_part *part = &board->parts[p];
        cj_text value = {0};
        if ((part->kind != CJ_SWITCH && part->kind != CJ_POTENTIOMETER) ||
            !isfinite(step->settings[p]) ||
            (changed && before->settings != NULL && before->settings[p] == step->settings[p]))
            continue;
        cj__plan_setting(&value, part, step->settings[p]);
        cj__json_set(json, object, part->ref, text_value(json, &value));
    }
    return object;
}

static json_t *play_value(struct cj__json *json, const cj_plan *plan, const cj_plan_item *item)
{
    cj_layout layout;
    if (!item->plays || cj_stimulus_layout(&item->stimulus, &layout, NULL) != CJ_OK)
        return json_null();
    json_t *object = json_object();
    cj__json_set(json, object, "file", cj__json_text(item->file));
    cj__json_signal(json, object, &item->stimulus, plan->full_scale_v);
    cj__json_set(json, object, "seconds",
                 cj__json_number((double)layout.length / item->stimulus.rate_hz));
    cj__json_set(json, object, "rate_hz", cj__json_number(item->stimulus.rate_hz));
    return object;
}

static json_t *step_value(struct cj__json *json, const cj_plan *plan, size_t i,
                          const cj__stand *before)
{
    static const cj__mark plain = {"", ""};
    const cj_board *board = plan->board;
    const cj_plan_item *item = &plan->items[i];
    const cj_step *step = &board->steps[item->step];
    const cj_step_figures *figures = &plan->healthy->steps[item->step];
    json_t *object = json_object();
    cj_text leads = {0}, save = {0};
    cj__json_set(json, object, "step", cj__json_text(step->name));
    cj__json_set(json, object, "power", json_string(step->power_off ? "off" : "on"));
    cj__json_set(json, object, "drive",
                 step->drive >= 0 ? cj__json_text(board->nets[board->inputs[step->drive].net])
                                  : json_null());
    cj__json_set(json, object, "channels", channels_value(json, board, step));
    cj__plan_leads(&leads, plan, i, before, plain);
    cj__json_set(json, object, "connect", text_value(json, &leads));
    cj__json_set(json, object, "set", settings_value(json, board, step, before, false));
    cj__json_set(json, object, "change", settings_value(json, board, step, before, true));
    cj__json_set(json, object, "wait_s", cj__json_number(step->wait_s));
    cj__json_set(json, object, "play", play_value(json, plan, item));
    if (item->why[0] != '\0')
        cj__json_set(json, object, "why", cj__json_text(item->why));
    cj_text_add(&save, "%s%s", step->name, step->power_off ? "" : ".csv");
    cj__json_set(json, object, "save", step->power_off ? json_null() : cj__json_text(save.bytes));
    json->failed = json->failed || save.failed;
    cj_text_free(&save);
    cj__json_set(json, object, "healthy",
                 cj__json_keyed(json, figures->predicted, figures->predicted_count, "spread",
                                "what a good unit reads there is not predicted"));
    return object;
}

cj_status cj_report_plan_json(const cj_plan *plan, cj_text *out, cj_error *err)
{
    struct cj__json json;
    cj_lines cautions = {0};
    cj_text level = {0};
    cj__stand stand = {.drive = -1};
    cj__json_start(&json, "plan");
    cj__json_set(&json, json.root, "board", cj__json_text(plan->board->name));
    cj__json_set(&json, json.root, "title", cj__json_text(plan->board->title));
    if (!cj__plan_cautions(plan->board, &cautions))
        json.failed = true;
    cj__json_set(&json, json.root, "cautions", cj__json_lines(&json, &cautions));
    cj_lines_free(&cautions);
    cj__plan_level(&level, plan);
    cj__json_set(&json, json.root, "level", text_value(&json, &level));
    cj__json_set(&json, json.root, "full_scale_v",
                 plan->full_scale_v > 0 ? cj__json_number(plan->full_scale_v) : json_null());
    json_t *steps = json_array();
    for (size_t i = 0; i < plan->count; i++) {
        cj__json_append(&json, steps, step_value(&json, plan, i, &stand));
        stand = cj__stand_after(plan, i, &stand);
    }
    cj__json_set(&json, json.root, "steps", steps);
    return cj__json_end(&json, out, err);
}
