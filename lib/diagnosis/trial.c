/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One trial: a manner, with the value and the side of an offset that explain best, judged. */
#include <math.h>
#include <string.h>

#include "diagnosis/rank.h"

double cj__add_logs(double a, double b)
{
    double high = fmax(a, b);
    return isfinite(high) ? high + log(exp(a - high) + exp(b - high)) : high;
}

cj_status cj__trial_fill(cj__ranking *ranking, const cj__manner *manner, double value,
                         unsigned want, cj_error *err)
{
    cj__reference reference = {ranking->unit, ranking->active};
    return cj__outlook_fill(ranking->scene, manner, value, want, &reference, ranking->outlook, err);
}

/* A section's figure set, behind the manner's own edits. False: no room. */
bool cj__trial_figure(const cj_board *board, int part, int section, cj_section_figure figure,
                      double value, cj_edit *edits, cj__manner *out)
{
    if (out->edit_count >= CJ__TRIAL_EDITS)
        return false;
    edits[out->edit_count++] = (cj_edit){.kind = CJ_EDIT_FIGURE,
                                         .part = part,
                                         .pin = board->parts[part].sections[section].out,
                                         .figure = figure,
                                         .a = value};
    return true;
}

/* The manner with its offset or bias current set where the sign of one decides a rail, or with the
 * swings. */
bool cj__trial_split(const cj__manner *manner, const cj__trial *trial, const cj_board *board,
                     cj_edit *edits, cj__manner *out)
{
    if (manner->edit_count > CJ__TRIAL_EDITS)
        return false;
    *out = *manner;
    out->also_at = trial->also;
    memcpy(edits, manner->edits, manner->edit_count * sizeof *edits);
    out->edits = edits;
    if (trial->edge != 0)
        return cj__edge_swings(trial, board, edits, out);
    if (trial->split == 0)
        return true;
    const cj_opamp *opamp = &board->parts[trial->split_part].opamp;
    return cj__trial_figure(
        board, trial->split_part, trial->split_section, trial->split_bias ? CJ_BIAS : CJ_OFFSET,
        trial->split * (trial->split_bias ? opamp->bias_a : opamp->offset_v), edits, out);
}

bool cj__trial_fixed(const cj__ranking *ranking, const cj__trial *trial, cj_edit *edits,
                     cj__manner *out)
{
    const cj__manner *manner = &ranking->suspects->items[trial->suspect].manners[trial->manner];
    if (!cj__trial_split(manner, trial, ranking->scene->board, edits, out))
        return false;
    if (manner->prior != CJ__FIXED) {
        double value = manner->free_negative ? -trial->free_value : trial->free_value;
        if (manner->free_b)
            edits[manner->free_edit].b = value;
        else
            edits[manner->free_edit].a = value;
        out->prior = CJ__FIXED;
    }
    return true;
}

/* How the means move with ln of the searched quantity, whitened, into slope. */
static cj_status slope_at(cj__ranking *ranking, const cj__manner *manner, double t, unsigned want,
                          double *slope, cj_error *err)
{
    const double step = want & CJ_TRANSIENT ? 0.1 : 0.01; /* what clips is known less exactly */
    int rows = ranking->scene->rows;
    cj_status status = cj__trial_fill(ranking, manner, exp(t + step), want, err);
    if (status != CJ_OK)
        return status;
    memcpy(slope, ranking->outlook->mean, (size_t)rows * sizeof *slope);
    status = cj__trial_fill(ranking, manner, exp(t - step), want, err);
    for (int i = 0; i < rows && status == CJ_OK; i++)
        slope[i] = (slope[i] - ranking->outlook->mean[i]) / (2 * step);
    if (status == CJ_OK)
        cj__forward(ranking->normal->factor, rows, slope);
    return status;
}

/* The outlook as it stands, with one way of the residue of railed outputs. */
static cj_status judge_way(cj__ranking *ranking, cj__residue way, cj__trial *trial, cj_error *err)
{
    ranking->outlook->way = trial->residue = way;
    cj_status status = cj__normal_fill(ranking->scene, ranking->outlook, ranking->normal, err);
    if (status != CJ_OK)
        return status;
    trial->distance = cj__normal_distance(ranking->scene, ranking->outlook, ranking->normal);
    double distortion = cj__distortion_log(ranking->scene, ranking->outlook);
    trial->density = cj__normal_log(ranking->normal, trial->distance) + distortion;
    trial->robust = cj__normal_log_outliers(ranking->normal) + distortion;
    trial->rough = ranking->outlook->excess;
    return CJ_OK;
}

#define MOVED 0.003 /* of units in which the level was moved for one input; judged */

/* As judged, or with the level moved where it does not fit: whichever is the likelier stays in
 * ranking->normal. */
static cj_status judge_moved(cj__ranking *ranking, cj__trial *trial, cj_error *err)
{
    unsigned moved = cj__level_moved(ranking->scene, ranking->outlook);
    if (moved == 0)
        return CJ_OK;
    cj__trial other = *trial;
    double cost = 0;
    for (unsigned rest = moved; rest != 0; rest &= rest - 1)
        cost += log(MOVED);
    ranking->outlook->moved = moved;
    cj_status status = judge_way(ranking, trial->residue, &other, err);
    double density = cj__add_logs(trial->density, other.density + cost),
           robust = cj__add_logs(trial->robust, other.robust + cost);
    if (status == CJ_OK && other.density + cost < trial->density) {
        ranking->outlook->moved = 0;
        status = judge_way(ranking, trial->residue, trial, err);
    } else if (status == CJ_OK) {
        *trial = other;
        trial->moved = true;
    }
    trial->density = density;
    trial->robust = robust;
    return status;
}

#define TURNED 0.1 /* of looks that rest at the other rail than their like; judged */

/* Where offsets decide the rail, more than one of them does, and a switch or a knob weighs them
 * anew: a look may go the other way than its like. Whichever is the likelier stays in
 * ranking->normal. */
static cj_status judge_turned(cj__ranking *ranking, cj__trial *trial, cj_error *err)
{
    size_t turned = trial->split != 0 && trial->between_end == 0
                        ? cj__between_turn(ranking->scene, ranking->outlook)
                        : 0;
    if (turned == 0)
        return CJ_OK;
    cj__trial other = *trial;
    double cost = (double)turned * log(TURNED);
    cj_status status = judge_way(ranking, trial->residue, &other, err);
    if (status == CJ_OK && other.density + cost < trial->density) {
        double density = trial->density, robust = trial->robust; /* of all ways of the residue */
        cj__between_turn_back(ranking->scene, ranking->outlook);
        status = judge_way(ranking, trial->residue, trial, err);
        trial->density = density;
        trial->robust = robust;
        return status;
    }
    trial->density = other.density + cost;
    trial->robust = other.robust + cost;
    trial->distance = other.distance;
    return status;
}

#define LEAKS 0.01 /* of the drive: no residue but a leak, whose spread is its own */

/* What is left of the tone at a railed output spreads over 30 dB and more. The best way of it
 * stays. */
static cj_status judge_ways(cj__ranking *ranking, const cj__manner *manner, cj__trial *trial,
                            cj_error *err)
{
    cj_status status = judge_way(ranking, CJ__LOUD, trial, err);
    if (status != CJ_OK || !ranking->outlook->residue)
        return status;
    cj__trial best = *trial;
    double density = -INFINITY, robust = -INFINITY;
    for (int way = 0; way < CJ__RESIDUES && status == CJ_OK; way++) {
        cj__trial now = *trial;
        double share = cj__residue_share((cj__residue)way, manner->residue > LEAKS);
        if (share <= 0)
            continue;
        status = judge_way(ranking, (cj__residue)way, &now, err);
        density = cj__add_logs(density, now.density + log(share));
        robust = cj__add_logs(robust, now.robust + log(share));
        if (now.density > best.density)
            best = now;
    }
    if (status == CJ_OK)
        status = judge_way(ranking, best.residue, trial, err);
    trial->density = density;
    trial->robust = robust;
    return status;
}

#define UNSETTLED 0.05 /* of looks, where a fault moves DC before a capacitor; judged */

/* A prediction judged, with all that may be otherwise than it is settled for: residues, rails, the
 * level. What it was judged by stays in ranking->outlook and ranking->normal. */
cj_status cj__trial_at(cj__ranking *ranking, const cj__manner *manner, double value, unsigned want,
                       cj__trial *trial, cj_error *err)
{
    cj_status status = cj__trial_fill(ranking, manner, value, want | CJ_SPREAD, err);
    trial->moved = false;
    if (status != CJ_OK)
        return status;
    if (trial->between_end > 0)
        cj__between_widen(ranking->scene, ranking->trials[trial->between].mean,
                          ranking->trials[trial->between_end].mean, ranking->outlook);
    size_t unsettled = trial->suspect > 0
                           ? cj__between_unsettled(ranking->scene, ranking->unit, ranking->outlook)
                           : 0;
    status = judge_ways(ranking, manner, trial, err);
    if (status == CJ_OK)
        status = judge_turned(ranking, trial, err);
    if (status == CJ_OK)
        status = judge_moved(ranking, trial, err);
    trial->density += (double)unsettled * log(UNSETTLED);
    trial->robust += (double)unsettled * log(UNSETTLED);
    return status;
}

/* The second quantity at its best given the rest (the mean of a normal posterior), solved anew
 * there. */
static cj_status settle_also(cj__ranking *ranking, cj__manner *manner, unsigned want,
                             cj__trial *trial, cj_error *err)
{
    enum { ROUNDS = 4 };
    const cj__outlook *outlook = ranking->outlook;
    size_t rows = (size_t)outlook->rows, columns = (size_t)outlook->columns;
    double *column = cj_new(rows + 1, sizeof *column);
    cj_status status = column != NULL ? CJ_OK : cj_fail_memory(err);
    for (int i = 0; i < ROUNDS && status == CJ_OK && !trial->rough; i++) {
        double best = 0;
        for (size_t r = 0; r < rows; r++)
            column[r] = outlook->by[r * columns + columns - CJ__BEHIND + CJ__ALSO];
        cj__forward(ranking->normal->factor, (int)rows, column);
        for (size_t r = 0; r < rows; r++)
            best += column[r] * ranking->normal->white[r];
        double moved = fmin(fmax(best - trial->also, -1), 1);
        if (fabs(moved) < 0.03)
            break;
        trial->also = manner->also_at = trial->also + moved;
        status = cj__trial_at(ranking, manner, trial->free_value, want, trial, err);
    }
    cj_free(column);
    return status;
}

/* One step towards the best value with this suspect's own spread, then the integral over the
 * quantity. */
static cj_status integrate(cj__ranking *ranking, const cj__manner *manner, unsigned want,
                           cj__trial *trial, double *mass, cj_error *err)
{
    int rows = ranking->scene->rows;
    double *slope = cj_new((size_t)rows + 1, sizeof *slope);
    if (slope == NULL)
        return cj_fail_memory(err);
    double low = log(manner->low), high = log(manner->high), t = log(trial->free_value),
           s = high - low;
    double *white = ranking->normal->white, along = 0, size = 0;
    cj_status status = CJ_OK;
    if (cj__any_active(ranking))
        status = slope_at(ranking, manner, t, CJ_BARE | (want & CJ_TRANSIENT), slope, err);
    for (int i = 0; i < rows && status == CJ_OK; i++) {
        along += slope[i] * white[i];
        size += slope[i] * slope[i];
    }
    if (status == CJ_OK && size > 0) {
        double better = fmin(fmax(t + fmin(fmax(along / size, -0.2), 0.2), low), high);
        cj__trial moved = *trial;
        status = cj__trial_at(ranking, manner, exp(better), want, &moved, err);
        if (status == CJ_OK && moved.density > trial->density) {
            moved.free_value = exp(better);
            t = better;
            *trial = moved;
        } else if (status == CJ_OK) {
            status = cj__trial_at(ranking, manner, exp(t), want, trial, err);
        }
        s = fmin(1 / sqrt(size), s);
    } else if (status == CJ_OK && cj__any_active(ranking)) {
        status = cj__trial_at(ranking, manner, exp(t), want, trial, err);
    }
    trial->low = exp(fmax(t - 1.645 * s, low));
    trial->high = exp(fmin(t + 1.645 * s, high));
    *mass = fmin(cj__search_mass(manner, t, s), 0);
    cj_free(slope);
    return status;
}

/* A joint that conducts so well that the picofarads beside it do not show up to 20 kHz: 1 pF turns
 * the current through 20 kohm by 2 pi 20 kHz RC = 0.0025. */
static bool strays_hidden(const cj__manner *manner, double ohm)
{
    return manner->also_b && ohm < 0.002 * manner->loose_ohm;
}

#define BY_GRADIENTS 20 /* nats a density by gradients is off at most, of near ones; judged */

static bool far_off(const cj__ranking *ranking, const cj__trial *trial, double margin)
{
    return trial->density < ranking->most - CJ__HOPELESS - margin && !trial->rough;
}

enum { ALSO_ROUNDS = 6 }; /* of the two quantities in turn */

/* The searched quantity and the second one, in turn, where they are worth it. A second one that is
 * not looked into stays what the edit says. */
static cj_status fit(cj__ranking *ranking, const cj__manner *manner, unsigned want,
                     cj__trial *trial, double *mass, cj_error *err)
{
    cj__manner here = *manner;
    if (strays_hidden(manner, trial->free_value))
        here.also_sigma = 0;
    here.also_at = trial->also;
    /* by gradients first: parts of wide tolerance are solved anew where it could matter */
    cj_status status =
        cj__trial_at(ranking, &here, trial->free_value, want | CJ__FIRST_ORDER, trial, err);
    if (status != CJ_OK || far_off(ranking, trial, BY_GRADIENTS))
        return status;
    if (trial->rough)
        here.also_sigma = 0;
    status = cj__trial_at(ranking, &here, trial->free_value, want, trial, err);
    bool hopeless = far_off(ranking, trial, 0);
    bool also = here.also_sigma > 0 && !trial->rough && !hopeless;
    bool search = manner->prior != CJ__FIXED && !hopeless, better = true;
    ranking->most = fmax(ranking->most, trial->density);
    for (int round = 0; round < (also ? ALSO_ROUNDS : 1) && better && status == CJ_OK; round++) {
        double before = trial->density;
        if (also)
            status = settle_also(ranking, &here, want, trial, err);
        if (status == CJ_OK && search)
            status = integrate(ranking, &here, want, trial, mass, err);
        better = trial->density > before + 0.1;
    }
    ranking->most = fmax(ranking->most, trial->density);
    return status;
}

cj_status cj__trial_judge(cj__ranking *ranking, const cj__manner *manner, unsigned want,
                          cj__trial *trial, cj_error *err)
{
    cj_edit edits[CJ__TRIAL_EDITS];
    cj__manner split;
    if (trial->split != 0 || trial->edge != 0) {
        if (!cj__trial_split(manner, trial, ranking->scene->board, edits, &split))
            return cj_fail(err, CJ_BUG, "", 0, 0, "too many edits at once");
        manner = &split;
    }
    double mass = 0, side = log(trial->split_weight > 0 ? trial->split_weight : 1);
    cj_status status = fit(ranking, manner, want, trial, &mass, err);
    if (status == CJ_OK && trial->edge_sigma > 0 && ranking->outlook->steps_in_time)
        status = cj__edge_settle(ranking, want, trial, &side, err);
    if (status != CJ_OK)
        return status;
    double weight = log(manner->weight) + side;
    trial->log = trial->density + mass + weight;
    trial->robust += mass + weight;
    memcpy(trial->mean, ranking->outlook->mean, (size_t)ranking->scene->rows * sizeof *trial->mean);
    return CJ_OK;
}

#define DECIDES_V 2.5 /* judged */

/* A figure of unknown sign that moves DC by volts: the one that moves it most. False: none does. */
static bool moves_by_volts(const cj__ranking *ranking, cj_parameter_kind kind, cj__trial *split)
{
    const cj__outlook *outlook = ranking->outlook;
    const cj_parameter *parameters = cj_bench_parameters(ranking->scene->bench);
    size_t count = cj_bench_parameter_count(ranking->scene->bench);
    double most = DECIDES_V;
    for (size_t p = 0; p < count; p++) {
        const cj_part *part = &ranking->scene->board->parts[parameters[p].part];
        if (parameters[p].kind != kind ||
            (kind == CJ_P_BIAS && part->opamp.bias_way != CJ_BIAS_UNKNOWN))
            continue;
        for (int r = 0; r < outlook->rows; r++) {
            double moved = fabs(outlook->by[(size_t)r * (size_t)outlook->columns + p]);
            if (moved > most) {
                most = moved;
                split->split_part = parameters[p].part;
                split->split_section = parameters[p].section;
            }
        }
    }
    return most > DECIDES_V;
}

/* The op-amp whose offset decides where the circuit rests: as the solver says, or the one that
 * moves DC by volts (wide); or whose bias current does, where nobody says which way it flows (what
 * is left on leaks). False: none does. */
static bool sign_decides(const cj__ranking *ranking, cj__trial *split, bool *wide)
{
    split->split_part = ranking->outlook->fragile_part;
    split->split_section = ranking->outlook->fragile_section;
    *wide = false;
    if (split->split_part >= 0)
        return true;
    split->split_bias = moves_by_volts(ranking, CJ_P_BIAS, split);
    *wide = !split->split_bias && moves_by_volts(ranking, CJ_P_OFFSET, split);
    return split->split_bias || *wide;
}

cj_status cj__trial_new(cj__ranking *ranking, const cj__trial *setup, unsigned want, cj_error *err)
{
    if (!cj_reserve((void **)&ranking->trials, &ranking->trial_capacity, ranking->trial_count,
                    sizeof *ranking->trials))
        return cj_fail_memory(err);
    cj__trial *trial = &ranking->trials[ranking->trial_count];
    *trial = *setup;
    trial->mean = cj_new((size_t)ranking->scene->rows + 1, sizeof *trial->mean);
    if (trial->mean == NULL)
        return cj_fail_memory(err);
    ranking->trial_count++;
    const cj__suspect *suspect = &ranking->suspects->items[trial->suspect];
    return cj__trial_judge(ranking, &suspect->manners[trial->manner], want, trial, err);
}

#define BETWEEN 0.1 /* of those where an offset decides; judged (fault_physics 4: 0.11) */
#define NEARLY 0.05 /* of its sigma: an offset that decides hardly anything */

/* Where one offset or bias current decides, each way stands for itself: its sign, and where an
 * offset moves DC by volts its size. */
cj_status cj__trial_add(cj__ranking *ranking, const cj__trial *setup, unsigned want, cj_error *err)
{
    static const double ways[][2] = {{-0.8, 0.5}, {0.8, 0.5}},
                        more[][2] = {{-1.8, 0.15}, {-0.6, 0.35}, {0.6, 0.35}, {1.8, 0.15}};
    cj_status status = cj__trial_new(ranking, setup, want, err);
    cj__trial split = *setup;
    bool wide;
    if (status != CJ_OK)
        return status;
    if (!sign_decides(ranking, &split, &wide))
        return cj__edge_add(ranking, setup, want, err);
    cj_free(ranking->trials[--ranking->trial_count].mean);
    for (size_t i = 0; i < (wide ? 4 : 2) && status == CJ_OK; i++) {
        split.split = wide ? more[i][0] : ways[i][0];
        split.split_weight = wide ? more[i][1] : ways[i][1];
        status = cj__trial_new(ranking, &split, want, err);
    }
    split.between_end = ranking->trial_count - 1;
    split.between = split.between_end - (wide ? 3 : 1);
    split.split = NEARLY;
    split.split_weight = BETWEEN;
    if (status == CJ_OK && cj__between_rails(ranking->scene, ranking->trials[split.between].mean,
                                             ranking->trials[split.between_end].mean))
        status = cj__trial_new(ranking, &split, want, err);
    return status;
}
