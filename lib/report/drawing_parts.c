/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The symbols of the drawing. Coordinates are whole: no locale's decimal mark can get in. */
#include "report/drawing.h"
#include "report/html.h"

#include <math.h>
#include <string.h>

enum { HALF = CJ__HOP_WIDE / 2, BODY = 16 /* half the length of a resistor's body */ };

static const char *suspect_class(bool suspected)
{
    return suspected ? "s" : "p";
}

void cj__draw_wire(const cj__pen *pen, cj__spot from, cj__spot to, bool measured)
{
    if (measured)
        cj_text_add(pen->under, "<path class=\"w\" d=\"M%d %dL%d %d\"/>", from.x, from.y, to.x,
                    to.y);
    cj_text_add(pen->out, "<path class=\"p\" d=\"M%d %dL%d %d\"/>", from.x, from.y, to.x, to.y);
}

void cj__draw_ground(const cj__pen *pen, cj__spot at)
{
    cj_text_add(pen->out, "<path class=\"p\" d=\"M%d %dv6m-8 0h16m-13 3h10m-7 3h4\"/>", at.x, at.y);
}

void cj__draw_dot(const cj__pen *pen, cj__spot at)
{
    cj_text_add(pen->out, "<circle class=\"f\" cx=\"%d\" cy=\"%d\" r=\"3\"/>", at.x, at.y);
}

void cj__draw_text(const cj__pen *pen, cj__spot at, const char *anchor, const char *text)
{
    cj_text_add(pen->out, "<text x=\"%d\" y=\"%d\" text-anchor=\"%s\">", at.x, at.y, anchor);
    cj__html_text(pen->out, text);
    cj_text_add(pen->out, "</text>");
}

void cj__draw_net(const cj__pen *pen, cj__spot at, const char *anchor, int net)
{
    bool end = strcmp(anchor, "end") == 0;
    int side = end ? -1 : 1;
    if (net == CJ_GND) {
        cj__draw_ground(pen, at);
        return;
    }
    int x = at.x + side * 5;
    if (net >= 0 && pen->marks->probed[net]) {
        cj_text_add(pen->out, "<path class=\"pr\" d=\"M%d %dl5 -6l5 6l-5 6z\"/>",
                    at.x + (end ? -11 : 1), at.y);
        x += side * 9;
    }
    cj__draw_text(pen, (cj__spot){x, at.y + 4}, anchor, net >= 0 ? pen->board->nets[net] : "");
}

void cj__draw_badge(const cj__pen *pen, cj__spot at, int number)
{
    cj_text_add(pen->out,
                "<circle class=\"b\" cx=\"%d\" cy=\"%d\" r=\"8\"/><text class=\"bt\" x=\"%d\" "
                "y=\"%d\" text-anchor=\"middle\">%d</text>",
                at.x, at.y, at.x, at.y + 4, number);
}

static void draw_ring(const cj__pen *pen, cj__spot at)
{
    cj_text_add(pen->out, "<circle class=\"r\" cx=\"%d\" cy=\"%d\" r=\"6\"/>", at.x, at.y);
}

/* ---- parts in line ---- */

/* "R13 100k", "SW1 left" */
static void part_label(const cj_board *board, int index, int pin, cj_text *out)
{
    const cj_part *part = &board->parts[index];
    char value[32] = "";
    cj_text_add(out, "%s", part->ref);
    if (part->kind == CJ_DIODE)
        cj_text_add(out, " %s", part->diode.type);
    else if (isfinite(part->value)) {
        cj_value_text(part->value, value, sizeof value);
        cj_text_add(out, " %s", value);
    }
    if (part->kind != CJ_SWITCH)
        return;
    for (size_t i = 0; i < part->position_count; i++)
        for (size_t k = 0; k < part->positions[i].pair_count; k++)
            if (part->positions[i].pairs[k][0] == pin || part->positions[i].pairs[k][1] == pin) {
                cj_text_add(out, " %s", part->positions[i].name);
                return;
            }
}

static void draw_label(const cj__pen *pen, cj__spot at, const char *anchor, int part, int pin)
{
    cj_text label = {0};
    part_label(pen->board, part, pin, &label);
    cj__draw_text(pen, at, anchor, label.failed ? "" : label.bytes);
    pen->out->failed = pen->out->failed || label.failed;
    cj_text_free(&label);
}

/* Where the symbol of a kind ends on either side of its middle. */
static int half_of(cj_part_kind kind)
{
    return kind == CJ_CAPACITOR ? 3 : kind == CJ_DIODE ? 8 : BODY;
}

static void draw_body(const cj__pen *pen, cj__spot middle, const cj_part *part, bool right_is_one,
                      const char *class)
{
    int x = middle.x, y = middle.y;
    switch (part->kind) {
    case CJ_CAPACITOR:
        cj_text_add(pen->out, "<path class=\"%s\" d=\"M%d %dv18M%d %dv18\"/>", class, x - 3, y - 9,
                    x + 3, y - 9);
        if (part->polarised)
            cj__draw_text(pen, (cj__spot){x + (right_is_one ? 10 : -10), y - 3}, "middle", "+");
        return;
    case CJ_DIODE:
        if (right_is_one) /* the anode is to the right */
            cj_text_add(pen->out, "<path class=\"%s\" d=\"M%d %dl-16 8l16 8zM%d %dv16\"/>", class,
                        x + 8, y - 8, x - 8, y - 8);
        else
            cj_text_add(pen->out, "<path class=\"%s\" d=\"M%d %dl16 8l-16 8zM%d %dv16\"/>", class,
                        x - 8, y - 8, x + 8, y - 8);
        return;
    case CJ_SWITCH:
        cj_text_add(pen->out,
                    "<circle class=\"f\" cx=\"%d\" cy=\"%d\" r=\"2\"/><circle class=\"f\" "
                    "cx=\"%d\" cy=\"%d\" r=\"2\"/><path class=\"%s\" d=\"M%d %dL%d %d\"/>",
                    x - BODY, y, x + BODY, y, class, x - BODY, y, x + BODY - 3, y - 9);
        return;
    case CJ_RESISTOR:
    case CJ_POTENTIOMETER:
    case CJ_TRANSFORMER:
    case CJ_OPAMP:
        cj_text_add(pen->out, "<rect class=\"%s\" x=\"%d\" y=\"%d\" width=\"%d\" height=\"11\"/>",
                    class, x - BODY, y - 5, 2 * BODY);
        return;
    }
}

static void mark_hop(const cj__pen *pen, cj__spot middle, const cj__hop *hop, bool near_is_right)
{
    const cj__suspect *one = cj__hop_suspected(pen->marks, hop);
    int reach = half_of(pen->board->parts[hop->part].kind) + 6;
    if (one == NULL)
        return;
    bool two = pen->board->parts[hop->part].pin_count == 2; /* either end: no reading tells */
    for (int k = 0; k < 2 && !two; k++) {
        int pin = k ? hop->far : hop->near;
        bool right = (k == 0) == near_is_right;
        if (one->pin > 0 && cj__suspected(pen->marks, hop->part, pin) != NULL)
            draw_ring(pen, (cj__spot){middle.x + (right ? reach : -reach), middle.y});
    }
    cj__draw_badge(pen, (cj__spot){middle.x + HALF - 8, middle.y - 13}, one->number);
}

/* The track stands upright, the wiper comes in level from the side. */
static void draw_pot(const cj__pen *pen, cj__spot left, const cj__hop *hop, bool near_is_right,
                     bool measured)
{
    const cj_part *part = &pen->board->parts[hop->part];
    bool near_is_wiper = hop->near == 2, wiper_right = near_is_wiper == near_is_right;
    int x = left.x + HALF, y = left.y, right = left.x + CJ__HOP_WIDE, side = wiper_right ? 1 : -1;
    cj__spot end = {wiper_right ? left.x : right, y}, wiper = {wiper_right ? right : left.x, y};
    const char *class = suspect_class(cj__hop_suspected(pen->marks, hop) != NULL);
    if (measured)
        cj_text_add(pen->under, "<path class=\"w\" d=\"M%d %dH%dV%dH%dV%dH%d\"/>", end.x, end.y,
                    x - side * 14, y - 22, x, y, wiper.x);
    cj_text_add(pen->out, "<path class=\"p\" d=\"M%d %dH%dV%dH%dV%d\"/>", end.x, end.y,
                x - side * 14, y - 22, x, y - 16);
    cj_text_add(pen->out,
                "<rect class=\"%s\" x=\"%d\" y=\"%d\" width=\"11\" height=\"32\"/>"
                "<path class=\"%s\" d=\"M%d %dH%dm%d -4l%d 4l%d 4\"/>",
                class, x - 5, y - 16, class, wiper.x, wiper.y, x + side * 6, side * 6, -side * 6,
                side * 6);
    int third = hop->third > 0 ? part->pins[hop->third - 1] : CJ_NO_NET;
    if (third >= 0) {
        cj_text_add(pen->out, "<path class=\"p\" d=\"M%d %dv6\"/>", x, y + 16);
        if (third == CJ_GND)
            cj__draw_ground(pen, (cj__spot){x, y + 20});
        else
            cj__draw_text(pen, (cj__spot){x, y + 33}, "middle", pen->board->nets[third]);
    }
    draw_label(pen, (cj__spot){x + side * 10, y + 17}, wiper_right ? "start" : "end", hop->part, 0);
    mark_hop(pen, (cj__spot){x, y}, hop, near_is_right);
}

/* One below the other under the net, with where each of them goes. */
static void draw_shunts(const cj__pen *pen, cj__spot at, const cj__hop *hop)
{
    for (int i = 0; i < hop->shunt_count; i++) {
        int index = hop->shunts[i], x = at.x + 30 * i;
        const cj_part *part = &pen->board->parts[index];
        const cj__suspect *one = cj__suspected(pen->marks, index, 0);
        const char *class = suspect_class(one != NULL);
        int other = part->pins[0] == hop->net ? part->pins[1] : part->pins[0];
        if (i > 0)
            cj_text_add(pen->out, "<path class=\"p\" d=\"M%d %dh30\"/>", x - 30, at.y + 8);
        cj_text_add(pen->out, "<path class=\"p\" d=\"M%d %dV%dM%d %dV%d\"/>", x,
                    i ? at.y + 8 : at.y, at.y + 14, x,
                    part->kind == CJ_CAPACITOR ? at.y + 20 : at.y + 36, at.y + 40);
        if (part->kind == CJ_CAPACITOR)
            cj_text_add(pen->out, "<path class=\"%s\" d=\"M%d %dh16m-16 6h16\"/>", class, x - 8,
                        at.y + 14);
        else
            cj_text_add(pen->out,
                        "<rect class=\"%s\" x=\"%d\" y=\"%d\" width=\"10\" height=\"22\"/>", class,
                        x - 5, at.y + 14);
        if (other == CJ_GND)
            cj__draw_ground(pen, (cj__spot){x, at.y + 40});
        else
            cj__draw_text(pen, (cj__spot){x, at.y + 52}, "middle", pen->board->nets[other]);
        draw_label(pen, (cj__spot){x - 9, at.y + 29}, "end", index, 0);
        if (one != NULL)
            cj__draw_badge(pen, (cj__spot){x + 16, at.y + 20}, one->number);
        cj__draw_dot(pen, at);
    }
}

void cj__hop_room(const cj_board *board, const cj__hop *hop, int *above, int *below)
{
    bool pot = board->parts[hop->part].kind == CJ_POTENTIOMETER;
    *above = pot ? 28 : 24;
    *below = hop->shunt_count > 0 ? 58 : pot ? 38 : 12;
}

void cj__draw_hop(const cj__pen *pen, cj__spot left, const cj__hop *hop, bool near_is_right,
                  bool measured)
{
    const cj_part *part = &pen->board->parts[hop->part];
    cj__spot middle = {left.x + HALF, left.y}, right = {left.x + CJ__HOP_WIDE, left.y};
    int half = half_of(part->kind);
    bool suspected = cj__hop_suspected(pen->marks, hop) != NULL;
    if (part->kind == CJ_POTENTIOMETER) {
        draw_pot(pen, left, hop, near_is_right, measured);
    } else {
        if (measured)
            cj_text_add(pen->under, "<path class=\"w\" d=\"M%d %dH%d\"/>", left.x, left.y, right.x);
        cj__draw_wire(pen, left, (cj__spot){middle.x - half, left.y}, false);
        cj__draw_wire(pen, (cj__spot){middle.x + half, left.y}, right, false);
        draw_body(pen, middle, part, (hop->near == 1) == near_is_right, suspect_class(suspected));
        draw_label(pen, (cj__spot){middle.x, middle.y - 12}, "middle", hop->part,
                   hop->near == 1 ? hop->far : hop->near);
        mark_hop(pen, middle, hop, near_is_right);
    }
    draw_shunts(pen, near_is_right ? left : right, hop);
}

/* ---- the op-amp ---- */

static void draw_pin(const cj__pen *pen, cj__spot at, cj__spot number, int part, int pin)
{
    char text[16] = "";
    cj_text label = {0};
    if (pin <= 0)
        return;
    cj_text_add(&label, "%d", pin);
    strncpy(text, label.failed ? "" : label.bytes, sizeof text - 1);
    pen->out->failed = pen->out->failed || label.failed;
    cj_text_free(&label);
    cj_text_add(pen->out, "<text class=\"n\" x=\"%d\" y=\"%d\">%s</text>", number.x, number.y,
                text);
    const cj__suspect *one = cj__suspected(pen->marks, part, pin);
    if (one != NULL && one->pin > 0) {
        draw_ring(pen, at);
        cj__draw_badge(pen, (cj__spot){at.x + 4, at.y - 16}, one->number);
    }
}

void cj__draw_section(const cj__pen *pen, cj__spot at, const cj__stage *stage, bool measured)
{
    const cj_part *part = &pen->board->parts[stage->part];
    const cj_section *section = &part->sections[stage->section];
    int middle = at.y + CJ__INPUTS_APART / 2, half = CJ__TRIANGLE / 2, tip = at.x + CJ__TRIANGLE;
    const cj__suspect *whole = cj__section_suspected(pen->marks, pen->board, stage);
    cj_text name = {0};
    if (measured)
        cj_text_add(pen->under, "<path class=\"w\" d=\"M%d %dL%d %dH%d\"/>", at.x, at.y, at.x + 18,
                    middle, tip);
    cj_text_add(pen->out, "<path class=\"%s\" d=\"M%d %dL%d %dL%d %dZ\"/>",
                suspect_class(whole != NULL), at.x, middle - half, tip, middle, at.x,
                middle + half);
    cj__draw_text(pen, (cj__spot){at.x + 5, at.y + 4}, "start", "\xe2\x88\x92");
    cj__draw_text(pen, (cj__spot){at.x + 5, at.y + CJ__INPUTS_APART + 4}, "start", "+");
    cj_text_add(&name, "%s", part->ref);
    if (part->section_count > 1)
        cj_text_add(&name, " %c", 'A' + stage->section);
    cj__draw_text(pen, (cj__spot){at.x + 20, middle + 4}, "start", name.failed ? "" : name.bytes);
    pen->out->failed = pen->out->failed || name.failed;
    cj_text_free(&name);
    draw_pin(pen, at, (cj__spot){at.x - 10, at.y - 4}, stage->part, section->inverting);
    draw_pin(pen, (cj__spot){at.x, at.y + CJ__INPUTS_APART},
             (cj__spot){at.x - 10, at.y + CJ__INPUTS_APART - 4}, stage->part, section->plus);
    draw_pin(pen, (cj__spot){tip, middle}, (cj__spot){tip + 6, middle - 4}, stage->part,
             section->out);
    for (int k = 0; k < 2; k++) { /* the supply, short: its pins are suspects too */
        int pin = k ? section->v_minus : section->v_plus, x = at.x + 30, side = k ? 1 : -1;
        if (pin <= 0)
            continue;
        int y = middle + side * 21;
        cj_text_add(pen->out, "<path class=\"p\" d=\"M%d %dv%d\"/>", x, y, side * 9);
        draw_pin(pen, (cj__spot){x, y + side * 9}, (cj__spot){x + 3, y + side * 9 + (k ? 6 : 2)},
                 stage->part, pin);
    }
    if (whole != NULL && whole->pin == 0)
        cj__draw_badge(pen, (cj__spot){tip - 14, middle - 24}, whole->number);
}
