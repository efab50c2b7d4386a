/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the bench sheet says of a step. */
#include "report/plan.h"

#include <math.h>
#include <string.h>

/* ---- cautions ---- */

static void write_rails(cj_text *out, const cj_board *board)
{
    if (board->v_plus == CJ_NO_NET) {
        cj_text_add(out, "the voltage and polarity it should have");
        return;
    }
    cj_text_add(out, "v+ ");
    cj__write_short(out, board->v_plus_v, "V");
    if (board->v_minus != CJ_GND && board->v_minus != CJ_NO_NET) {
        cj_text_add(out, " and v- ");
        cj__write_short(out, board->v_minus_v, "V");
    }
    cj_text_add(out, " against gnd");
}

static bool add(cj_lines *out, const char *line)
{
    return cj_lines_add(out, "%s", line) == CJ_OK;
}

bool cj__plan_cautions(const cj_board *board, cj_lines *out)
{
    cj_text rails = {0};
    write_rails(&rails, board);
    bool fine = !rails.failed &&
                cj_lines_add(out,
                             "Before the board is plugged in: measure the supply unloaded (%s), "
                             "and limit its current to little more than the board should draw. A "
                             "board that pulls it into the limit comes out again at once.",
                             rails.bytes) == CJ_OK;
    cj_text_free(&rails);
    return fine &&
           add(out,
               "Resistance is measured with the power off and every capacitor discharged: wait "
               "until the rails read less than 50 mV.") &&
           add(out, "Level down before headphones, a loudspeaker or an amplifier are plugged in; "
                    "these signals are louder and steadier than music.") &&
           add(out, "The ground clips of a scope are one wire, and mains earth: they go to gnd and "
                    "nowhere else. If the supply is earthed too, that is a second way round: hum. "
                    "Between two nets (NET-NET) two probes measure, never a clip.") &&
           add(out, "Move leads with the level down; a probe that slips joins two "
                    "pins. Power off before a plug-in part or a supply lead is touched.") &&
           add(out,
               "Parts that carry mains stay covered and are not probed. Local rules, and work that "
               "needs a licence, come first.");
}

/* ---- nets and leads ---- */

static bool at_edge(const cj_board *board, int net)
{
    for (size_t i = 0; i < board->input_count; i++)
        if (board->inputs[i].net == net)
            return true;
    for (size_t i = 0; i < board->output_count; i++)
        if (board->outputs[i].net == net)
            return true;
    return net == CJ_GND || net == board->v_plus || net == board->v_minus;
}

/* A pin to put the probe on: an op-amp's pins are found fastest. */
static bool find_pin(const cj_board *board, int net, const cj_part **part, size_t *pin)
{
    bool found = false;
    for (size_t i = 0; i < board->part_count; i++)
        for (size_t p = 0; p < board->parts[i].pin_count; p++)
            if (board->parts[i].pins[p] == net &&
                (!found || ((*part)->kind != CJ_OPAMP && board->parts[i].kind == CJ_OPAMP))) {
                *part = &board->parts[i];
                *pin = p + 1;
                found = true;
            }
    return found;
}

static void write_net(cj_text *out, const cj_board *board, int net)
{
    const cj_part *part;
    size_t pin;
    cj__write_clean(out, board->nets[net]);
    if (at_edge(board, net) || !find_pin(board, net, &part, &pin))
        return;
    cj_text_add(out, " (");
    cj__write_clean(out, part->ref);
    cj_text_add(out, " pin %zu)", pin);
}

void cj__plan_view(cj_text *out, const cj_board *board, cj_view view)
{
    write_net(out, board, view.net);
    if (view.against != CJ_GND) {
        cj_text_add(out, " against ");
        write_net(out, board, view.against);
    }
}

cj__stand cj__stand_after(const cj_plan *plan, size_t i, const cj__stand *before)
{
    const cj_step *step = &plan->board->steps[plan->items[i].step];
    cj__stand after = *before;
    after.known = true;
    after.power_off = step->power_off;
    after.drive = step->drive;
    after.settings = step->settings;
    for (int c = 0; c < step->see_count; c++) {
        after.see[c] = step->see[c];
        after.seen[c] = true;
    }
    return after;
}

static void write_lead(cj_text *out, const char *lead, const cj_text *where, bool moved,
                       cj__mark mark)
{
    cj_text_add(out, "%s%s%s", out->length ? ", " : "", moved ? mark.open : "", lead);
    cj_text_add(out, "%s%s", where->bytes ? where->bytes : "", moved ? mark.close : "");
    out->failed = out->failed || where->failed;
}

void cj__plan_leads(cj_text *out, const cj_plan *plan, size_t i, const cj__stand *before,
                    cj__mark mark)
{
    const cj_board *board = plan->board;
    const cj_step *step = &board->steps[plan->items[i].step];
    static const char *const channels[2][2] = {{"channel 1: ", "channel 2: "},
                                               {"ohmmeter: ", "ohmmeter: "}};
    cj_text all = {0}, where = {0};
    if (!step->power_off) {
        if (step->drive >= 0)
            write_net(&where, board, board->inputs[step->drive].net);
        else
            cj_text_add(&where, "unplugged");
        write_lead(&all, "generator: ", &where, !before->known || before->drive != step->drive,
                   mark);
    }
    for (int c = 0; c < step->see_count; c++) {
        bool moved = !before->seen[c] || before->see[c].net != step->see[c].net ||
                     before->see[c].against != step->see[c].against ||
                     before->power_off != step->power_off;
        cj_text_free(&where);
        cj__plan_view(&where, board, step->see[c]);
        if (step->power_off && step->see[c].against == CJ_GND)
            cj_text_add(&where, " to gnd");
        write_lead(&all, channels[step->power_off][c], &where, moved, mark);
    }
    cj_text_add(out, "%s", all.bytes ? all.bytes : "");
    out->failed = out->failed || all.failed;
    cj_text_free(&where);
    cj_text_free(&all);
}

/* ---- controls ---- */

void cj__plan_setting(cj_text *out, const cj_part *part, double setting)
{
    if (part->kind == CJ_SWITCH) {
        cj__write_clean(out, part->positions[(size_t)setting].name);
        return;
    }
    cj__write_plain(out, 100 * setting, 3);
    cj_text_add(out, "%%");
}

void cj__plan_set(cj_text *out, const cj_plan *plan, size_t i, const cj__stand *before, bool all,
                  cj__mark mark)
{
    const cj_board *board = plan->board;
    const cj_step *step = &board->steps[plan->items[i].step];
    const char *comma = "";
    for (size_t p = 0; p < board->part_count; p++) {
        const cj_part *part = &board->parts[p];
        bool control = part->kind == CJ_SWITCH || part->kind == CJ_POTENTIOMETER;
        bool turned = before->settings == NULL || before->settings[p] != step->settings[p];
        if (!control || !isfinite(step->settings[p]) || !(turned || all))
            continue;
        cj_text_add(out, "%s%s", comma, turned ? mark.open : "");
        cj__write_clean(out, part->ref);
        cj_text_add(out, " ");
        cj__plan_setting(out, part, step->settings[p]);
        cj_text_add(out, "%s", turned ? mark.close : "");
        comma = ", ";
    }
}

/* ---- signal, file, readings ---- */

static const char saving[] =
    " The captures of one unit go into one folder, named after the steps, for "
    "`coldjoint diagnose BOARD FOLDER`.";

void cj__plan_level(cj_text *out, const cj_plan *plan)
{
    if (!(plan->full_scale_v > 0)) {
        cj_text_add(out, "Nothing is played in these steps.%s", saving);
        return;
    }
    cj_text_add(out, "Levels are those of the generator with nothing connected; files are for a "
                     "player that puts out ");
    cj__write_short(out, plan->full_scale_v, "V");
    cj_text_add(out, " peak at digital full scale.");
    if (plan->full_scale_given || plan->setter == NULL) {
        cj_text_add(out, "%s", saving);
        return;
    }
    cj_text_add(out, " Set that once: play ");
    cj__write_clean(out, plan->setter->file);
    cj_text_add(out, " and turn the player's level until a meter at its open output reads ");
    cj__write_short(out, cj__signal_rms(&plan->setter->stimulus), "V");
    cj_text_add(out, " RMS; then leave it.%s", saving);
}

void cj__plan_signal(cj_text *out, const cj_plan *plan, const cj_plan_item *item)
{
    const cj_step *step = &plan->board->steps[item->step];
    if (item->plays) {
        cj__write_signal(out, &item->stimulus, plan->full_scale_v);
    } else if (step->drive >= 0) {
        cj_text_add(out, "no file: ");
        cj__write_clean(out, item->why);
    } else {
        cj_text_add(out, step->power_off ? "nothing, power off" : "nothing");
    }
}

void cj__plan_save(cj_text *out, const cj_board *board, const cj_step *step)
{
    if (!step->power_off) {
        cj__write_clean(out, step->name);
        cj_text_add(out, ".csv (scope) or ");
        cj__write_clean(out, step->name);
        cj_text_add(out, ".wav (interface)");
        return;
    }
    cj_text_add(out, "note the reading, for diagnose: ");
    for (int c = 0; c < step->see_count; c++) {
        char net[80];
        cj_board_view_text(board, step->see[c], net, sizeof net);
        cj__write_clean(out, c > 0 ? " " : "");
        cj__write_clean(out, step->name);
        cj_text_add(out, ":resistance_ohm@");
        cj__write_clean(out, net);
        cj_text_add(out, "=...");
    }
}

void cj__plan_figure(cj_text *label, cj_text *value, const cj_keyed_figure *figure)
{
    static const char *const paths[2] = {"channel 1", "channel 2"};
    cj__write_label(label, figure->key, paths);
    cj__write_keyed(value, figure, true);
}
