/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One stage laid out: branches come in from the left, feedback above, what leaves to the right. */
#include "report/drawing.h"

#include <math.h>
#include <string.h>

enum {
    MARGIN = 10,
    LABEL = 108, /* room for a net's name at either side */
    FEEDBACK_HIGH = 34,
    STUB = 14, /* from the last part to the bus */
};

struct layout {
    cj__pen pen;
    const cj__stage *stage;
    const cj_board *board;
    int bus, plus_bus, tip; /* x of both inputs' upright lines and of the triangle's tip */
    int top, input_y, bottom;
    int hops; /* the most in a branch from the left */
};

/* ---- which branches ---- */

static bool same_shape(const cj_board *board, const cj__branch *one, const cj__branch *other)
{
    if (one->place != other->place || one->from != other->from ||
        one->hop_count != other->hop_count)
        return false;
    for (int i = 0; i < one->hop_count; i++) {
        const cj__hop *a = &one->hops[i], *b = &other->hops[i];
        const cj_part *p = &board->parts[a->part], *q = &board->parts[b->part];
        bool valued = isfinite(p->value) || isfinite(q->value);
        if (p->kind != q->kind || a->shunt_count != b->shunt_count ||
            (valued && p->value != q->value))
            return false;
    }
    return true;
}

static bool is_marked(const cj__marks *marks, const cj__branch *branch)
{
    return cj__branch_suspected(marks, branch) ||
           cj__branch_measured(marks, branch) == branch->hop_count;
}

/* Of branches that are alike the marked ones, and one where none is. */
bool cj__branch_drawn(const cj__stage *stage, const cj__marks *marks, const cj_board *board,
                      size_t index)
{
    const cj__branch *branch = &stage->branches[index];
    size_t first = stage->count, marked = 0, before = 0;
    if (branch->place == CJ__FEEDBACK || branch->place == CJ__BETWEEN)
        return true;
    for (size_t i = 0; i < stage->count; i++) {
        const cj__branch *other = &stage->branches[i];
        if (!same_shape(board, branch, other))
            continue;
        first = i < first ? i : first;
        marked += is_marked(marks, other);
        before += i < index && is_marked(marks, other);
    }
    if (cj__branch_suspected(marks, branch))
        return true;
    return marked > 0 ? is_marked(marks, branch) && before < 2 : index == first;
}

/* ---- room ---- */

static void branch_room(const cj_board *board, const cj__branch *branch, int *above, int *below)
{
    *above = 18;
    *below = 12;
    for (int i = 0; i < branch->hop_count; i++) {
        int over, under;
        cj__hop_room(board, &branch->hops[i], &over, &under);
        *above = over > *above ? over : *above;
        *below = under > *below ? under : *below;
    }
}

static bool drawn_at(const struct layout *layout, size_t index, cj__place place)
{
    return layout->stage->branches[index].place == place &&
           cj__branch_drawn(layout->stage, layout->pen.marks, layout->board, index);
}

static int count_at(const struct layout *layout, cj__place place)
{
    int count = 0;
    for (size_t i = 0; i < layout->stage->count; i++)
        count += drawn_at(layout, i, place);
    return count;
}

/* ---- branches ---- */

/* From the bus leftward at height y; the far end is named at the left edge. */
static void draw_input(const struct layout *layout, const cj__branch *branch, int bus, int y)
{
    const cj__pen *pen = &layout->pen;
    int measured = cj__branch_measured(pen->marks, branch), x = bus - STUB;
    cj__draw_wire(pen, (cj__spot){x, y}, (cj__spot){bus, y}, measured > 0);
    for (int i = 0; i < branch->hop_count; i++) {
        x -= CJ__HOP_WIDE;
        cj__draw_hop(pen, (cj__spot){x, y}, &branch->hops[i], true, i < measured);
    }
    if (branch->to == CJ_GND) {
        cj__draw_ground(pen, (cj__spot){x, y});
        return;
    }
    cj__draw_wire(pen, (cj__spot){LABEL, y}, (cj__spot){x, y}, measured == branch->hop_count);
    cj__draw_net(pen, (cj__spot){LABEL, y}, "end", branch->to);
}

static bool bus_measured(const struct layout *layout, size_t index)
{
    return cj__branch_measured(layout->pen.marks, &layout->stage->branches[index]) > 0;
}

/* The branches of one input below each other; *y is where the next may begin. */
static void draw_inputs(struct layout *layout, cj__place place, int bus, int start, int *y)
{
    bool first = true;
    int last = start;
    for (size_t i = 0; i < layout->stage->count; i++) {
        int above, below;
        if (!drawn_at(layout, i, place))
            continue;
        branch_room(layout->board, &layout->stage->branches[i], &above, &below);
        int at = first ? start : *y + above;
        if (place == CJ__AT_PLUS && first)
            at = *y + above;
        cj__draw_wire(&layout->pen, (cj__spot){bus, last}, (cj__spot){bus, at},
                      bus_measured(layout, i));
        draw_input(layout, &layout->stage->branches[i], bus, at);
        if (!first || place == CJ__AT_PLUS)
            cj__draw_dot(&layout->pen, (cj__spot){bus, last});
        last = at;
        *y = at + below;
        first = false;
    }
}

static void draw_feedback(const struct layout *layout, bool measured)
{
    const cj__pen *pen = &layout->pen;
    int y = layout->top, node = layout->tip + 24, middle = layout->input_y + CJ__INPUTS_APART / 2;
    int upper = 0;
    bool follower = layout->stage->inverting == layout->stage->out && layout->stage->out >= 0;
    for (size_t i = 0; i < layout->stage->count; i++) {
        const cj__branch *branch = &layout->stage->branches[i];
        int above, below, x = layout->bus + 8;
        if (!drawn_at(layout, i, CJ__FEEDBACK))
            continue;
        branch_room(layout->board, branch, &above, &below);
        y += above;
        upper = upper ? upper : y;
        cj__draw_wire(pen, (cj__spot){layout->bus, y}, (cj__spot){x, y}, false);
        for (int k = 0; k < branch->hop_count; k++, x += CJ__HOP_WIDE)
            cj__draw_hop(pen, (cj__spot){x, y}, &branch->hops[k], false, false);
        cj__draw_wire(pen, (cj__spot){x, y}, (cj__spot){node > x ? node : x, y}, false);
        if (x > node)
            node = x;
        y += below;
    }
    if (follower) {
        upper = y + 18;
        cj__draw_wire(pen, (cj__spot){layout->bus, upper}, (cj__spot){node, upper}, false);
    }
    if (upper > 0) {
        cj__draw_wire(pen, (cj__spot){layout->bus, upper}, (cj__spot){layout->bus, layout->input_y},
                      false);
        cj__draw_wire(pen, (cj__spot){node, upper}, (cj__spot){node, middle}, false);
        cj__draw_dot(pen, (cj__spot){node, middle});
    }
    cj__draw_wire(pen, (cj__spot){layout->tip, middle}, (cj__spot){node, middle}, measured);
}

/* What leaves the output; *right becomes how far it reaches. */
static void draw_outputs(struct layout *layout, int node, bool measured, int *right)
{
    const cj__pen *pen = &layout->pen;
    int y = layout->input_y + CJ__INPUTS_APART / 2, last = y;
    bool any = false, named = false;
    for (size_t i = 0; i < layout->stage->count; i++) {
        const cj__branch *branch = &layout->stage->branches[i];
        int x = node + (any ? 12 : 52), passed = cj__branch_measured(pen->marks, branch);
        if (!drawn_at(layout, i, CJ__AT_OUT))
            continue;
        if (any) {
            int above, below;
            branch_room(layout->board, branch, &above, &below);
            y += above + 24;
            cj__draw_wire(pen, (cj__spot){node + 12, last}, (cj__spot){node + 12, y}, false);
            cj__draw_dot(pen, (cj__spot){node + 12, last});
        } else {
            cj__draw_wire(pen, (cj__spot){node, y}, (cj__spot){x, y}, passed > 0);
        }
        for (int k = 0; k < branch->hop_count; k++, x += CJ__HOP_WIDE)
            cj__draw_hop(pen, (cj__spot){x, y}, &branch->hops[k], false, k < passed);
        cj__draw_net(pen, (cj__spot){x, y}, "start", branch->to);
        *right = x + LABEL > *right ? x + LABEL : *right;
        last = y;
        any = true;
        named = true;
    }
    if (!named) {
        cj__draw_wire(pen, (cj__spot){node, y}, (cj__spot){node + 16, y}, measured);
        cj__draw_net(pen, (cj__spot){node + 16, y}, "start", layout->stage->out);
        *right = node + 16 + LABEL > *right ? node + 16 + LABEL : *right;
    } else if (layout->stage->out >= 0) {
        cj__draw_text(pen, (cj__spot){node + 4, layout->input_y + CJ__INPUTS_APART / 2 + 16},
                      "start", layout->board->nets[layout->stage->out]);
        if (pen->marks->probed[layout->stage->out])
            cj__draw_net(pen, (cj__spot){node - 10, layout->input_y + 4}, "start", CJ_NO_NET);
    }
    layout->bottom = y + 40 > layout->bottom ? y + 40 : layout->bottom;
}

/* From junction to junction, named at both ends. */
static void draw_between(struct layout *layout, int *y)
{
    for (size_t i = 0; i < layout->stage->count; i++) {
        const cj__branch *branch = &layout->stage->branches[i];
        int above, below;
        if (!drawn_at(layout, i, CJ__BETWEEN))
            continue;
        branch_room(layout->board, branch, &above, &below);
        *y += above;
        draw_input(layout, branch, LABEL + branch->hop_count * CJ__HOP_WIDE + STUB, *y);
        cj__draw_net(&layout->pen, (cj__spot){LABEL + branch->hop_count * CJ__HOP_WIDE + STUB, *y},
                     "start", branch->from);
        *y += below;
    }
}

static void draw_plus(struct layout *layout, int *y)
{
    const cj__stage *stage = layout->stage;
    int pin_y = layout->input_y + CJ__INPUTS_APART;
    cj__spot pin = {layout->tip - CJ__TRIANGLE, pin_y}, corner = {layout->plus_bus, pin_y};
    bool measured = false;
    for (size_t i = 0; i < stage->count; i++)
        measured = measured || (drawn_at(layout, i, CJ__AT_PLUS) && bus_measured(layout, i));
    cj__draw_wire(&layout->pen, corner, pin, measured);
    if (count_at(layout, CJ__AT_PLUS) > 0) {
        *y = *y > pin_y + 24 ? *y : pin_y + 24;
        draw_inputs(layout, CJ__AT_PLUS, layout->plus_bus, pin_y, y);
    } else if (stage->plus == CJ_GND) {
        cj__draw_ground(&layout->pen, corner);
    } else {
        cj__draw_net(&layout->pen, (cj__spot){corner.x, corner.y + 12}, "end", stage->plus);
    }
}

static void measure_room(struct layout *layout)
{
    const cj__stage *stage = layout->stage;
    int feedback = 0, above = 26, over, under;
    for (size_t i = 0; i < stage->count; i++) {
        const cj__branch *branch = &stage->branches[i];
        if (!drawn_at(layout, i, branch->place))
            continue;
        branch_room(layout->board, branch, &over, &under);
        if (branch->place == CJ__FEEDBACK)
            feedback += over + under;
        else if (branch->place != CJ__AT_OUT && branch->hop_count > layout->hops)
            layout->hops = branch->hop_count;
        if (branch->place == CJ__AT_INVERTING && over > above)
            above = over;
    }
    if (stage->inverting == stage->out)
        feedback = 28;
    layout->top = MARGIN;
    layout->bus = LABEL + layout->hops * CJ__HOP_WIDE + STUB;
    layout->plus_bus = layout->bus + 26;
    layout->tip = layout->bus + 52 + CJ__TRIANGLE;
    layout->input_y = MARGIN + feedback + above;
}

/* The widest feedback decides where the output's node is. */
static int node_of(const struct layout *layout)
{
    int node = layout->tip + 24;
    for (size_t i = 0; i < layout->stage->count; i++) {
        int reach = layout->bus + 8 + layout->stage->branches[i].hop_count * CJ__HOP_WIDE;
        if (layout->stage->branches[i].place == CJ__FEEDBACK && reach > node)
            node = reach;
    }
    return node;
}

void cj__draw_stage(cj_text *out, const cj_board *board, const cj__stage *stage,
                    const cj__marks *marks)
{
    cj_text body = {0}, under = {0};
    struct layout layout = {.pen = {.out = &body, .under = &under, .board = board, .marks = marks},
                            .stage = stage,
                            .board = board};
    bool measured = marks->path[4 * stage->part + stage->section];
    int right = 0;
    measure_room(&layout);
    cj__spot pin = {layout.tip - CJ__TRIANGLE, layout.input_y};
    int y = layout.input_y + 14;
    bool inverting = false;
    for (size_t i = 0; i < stage->count; i++)
        inverting =
            inverting || (drawn_at(&layout, i, CJ__AT_INVERTING) && bus_measured(&layout, i));
    cj__draw_wire(&layout.pen, (cj__spot){layout.bus, pin.y}, pin, inverting && measured);
    draw_inputs(&layout, CJ__AT_INVERTING, layout.bus, layout.input_y, &y);
    draw_plus(&layout, &y);
    layout.bottom = layout.input_y + CJ__INPUTS_APART + 34;
    draw_feedback(&layout, measured);
    cj__draw_section(&layout.pen, pin, stage, measured);
    if (count_at(&layout, CJ__FEEDBACK) > 0 && layout.stage->inverting >= 0)
        cj__draw_dot(&layout.pen, (cj__spot){layout.bus, layout.input_y});
    draw_outputs(&layout, node_of(&layout), measured, &right);
    draw_between(&layout, &y);
    layout.bottom = y + 8 > layout.bottom ? y + 8 : layout.bottom;
    cj_text_add(out,
                "<svg class=\"stage\" role=\"img\" viewBox=\"0 0 %d %d\" width=\"%d\" "
                "height=\"%d\" aria-label=\"schematic of the stage\">",
                right, layout.bottom, right, layout.bottom);
    if (under.bytes != NULL)
        cj_text_add_n(out, under.bytes, under.length);
    if (body.bytes != NULL)
        cj_text_add_n(out, body.bytes, body.length);
    out->failed = out->failed || body.failed || under.failed;
    cj_text_free(&under);
    cj_text_free(&body);
    cj_text_add(out, "</svg>\n");
}
