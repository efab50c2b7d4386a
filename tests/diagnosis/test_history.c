/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Priors after repairs: Dirichlet counts over kinds, parts and places, against the formula written
 * out. */
#include "check.h"

#include "diagnosis/suspects.h"
#include "failing.h"
#include "tests.h"

struct desk {
    cj_board *board;
    cj__suspects *before, *after;
};

static void desk_make(struct desk *desk)
{
    cj_errors errors;
    cj_error err;
    if (cj_board_read(FIXTURES "/boards/hall-mixer.yaml", &desk->board, &errors) != CJ_OK)
        fail_msg("%s", errors.items[0].message);
    if (cj__suspects_make(desk->board, &desk->before, &err) != CJ_OK ||
        cj__suspects_make(desk->board, &desk->after, &err) != CJ_OK)
        fail_msg("%s", err.message);
}

static void desk_free(struct desk *desk)
{
    cj__suspects_free(desk->before);
    cj__suspects_free(desk->after);
    cj_board_free(desk->board);
}

/* Repairs as "FAULT FAULT ..."; how many of them count. */
static double learn(struct desk *desk, const char *repairs)
{
    char copy[400], *rest = copy;
    cj_confirmed items[16];
    cj_history history = {.items = items};
    cj_error err;
    double used = -1;
    snprintf(copy, sizeof copy, "%s", repairs);
    for (char *one; (one = strtok_r(rest, " ", &rest)) != NULL; history.count++) {
        items[history.count].times = 1;
        if (cj_fault_read(one, &items[history.count].fault, &err) != CJ_OK)
            fail_msg("%s: %s", one, err.message);
    }
    if (cj__history_apply(&history, desk->after, &used, &err) != CJ_OK)
        fail_msg("%s", err.message);
    for (size_t i = 0; i < history.count; i++)
        cj_fault_clear(&items[i].fault);
    return used;
}

static size_t index_of(const struct desk *desk, const char *fault)
{
    for (size_t i = 1; i < desk->before->count; i++) {
        cj_text text = {0};
        cj_fault_text(&desk->before->items[i].fault, &text);
        bool same = strcmp(text.bytes, fault) == 0;
        cj_text_free(&text);
        if (same)
            return i;
    }
    fail_msg("no suspect %s", fault);
    return 0;
}

/* Built-in share of a kind (part NULL), or of that kind on a part. */
static double share(const struct desk *desk, cj_fault_kind kind, const char *part)
{
    double sum = 0, all = 0;
    for (size_t i = 1; i < desk->before->count; i++) {
        const cj__suspect *suspect = &desk->before->items[i];
        all += suspect->prior;
        if (suspect->fault.kind == kind && (part == NULL || strcmp(suspect->fault.part, part) == 0))
            sum += suspect->prior;
    }
    return sum / all;
}

static double all_after(const struct desk *desk)
{
    double all = 0;
    for (size_t i = 1; i < desk->after->count; i++)
        all += desk->after->items[i].prior;
    return all;
}

/* Three of U1 pin 7, one of U1 pin 3, one bridge; 10 units. */
static void check_formula(const struct desk *desk)
{
    const double units = 10, repairs = 5;
    double open = share(desk, CJ_FAULT_OPEN_PIN, NULL),
           on_u1 = share(desk, CJ_FAULT_OPEN_PIN, "U1");
    double on_u2 = share(desk, CJ_FAULT_OPEN_PIN, "U2"),
           wrong = share(desk, CJ_FAULT_WRONG_VALUE, NULL);
    size_t pin7 = index_of(desk, "open-pin:U1:7"), pin3 = index_of(desk, "open-pin:U1:3"),
           pin1 = index_of(desk, "open-pin:U1:1"), other = index_of(desk, "open-pin:U2:7");
    double of_kind = (units * open + 4) / (units + repairs);
    double of_u1 = of_kind * (units * on_u1 / open + 4) / (units + 4);
    const cj__suspect *before = desk->before->items, *after = desk->after->items;
    check_ratio("pin 7", after[pin7].prior,
                of_u1 * (units * before[pin7].prior / on_u1 + 3) / (units + 4), 1e-12);
    check_ratio("pin 3", after[pin3].prior,
                of_u1 * (units * before[pin3].prior / on_u1 + 1) / (units + 4), 1e-12);
    check_ratio("pin 1", after[pin1].prior,
                of_u1 * units * before[pin1].prior / on_u1 / (units + 4), 1e-12);
    check_ratio("another part", after[other].prior,
                of_kind * (units * on_u2 / open) / (units + 4) * before[other].prior / on_u2,
                1e-12);
    size_t value = index_of(desk, "wrong-value:R1");
    check_ratio("another kind", after[value].prior / before[value].prior,
                units * wrong / (units + repairs) / wrong, 1e-12);
}

void repairs_count_by_kind_part_and_place(void **state)
{
    (void)state;
    struct desk desk;
    desk_make(&desk);
    double used =
        learn(&desk, "open-pin:U1:7 open-pin:U1:7 open-pin:U1:7 open-pin:U1:3 bridge:U1:2-3");
    check_close("used", used, 5, 0);
    check_close("all", all_after(&desk), 1, 1e-12);
    check_formula(&desk);
    desk_free(&desk);
}

/* How a repair finds its suspect. */
void repairs_find_their_suspects(void **state)
{
    (void)state;
    static const struct {
        const char *repair, *suspect;
        double used;
    } cases[] = {
        {"open-pin:R1:2", "open-pin:R1:1", 1}, /* a two-pin part: one joint is like the other */
        {"bridge:U1:3-2", "bridge:U1:2-3", 1},
        {"wrong-value:R1=4k7", "wrong-value:R1", 1},
        {"at-rail:U1:7", "at-rail:U1:7=v+", 1}, /* which rail was not said */
        {"at-rail:U1:7", "at-rail:U1:7=v-", 1},
        {"unpowered:v-", "unpowered:v-", 1},
        {"open-pin:U1:7+shorted:C1", "shorted:C1", 1},
        {"open-pin:R999:1", NULL, 0}, /* no such part on this board (an older revision) */
        {"outside:mains", NULL, 0},
        {"", NULL, 0},
    };
    for (size_t i = 0; i < sizeof cases / sizeof cases[0]; i++) {
        struct desk desk;
        desk_make(&desk);
        check_close(cases[i].repair, learn(&desk, cases[i].repair), cases[i].used, 0);
        check_close(cases[i].repair, all_after(&desk), 1, 1e-12);
        if (cases[i].suspect != NULL) {
            size_t at = index_of(&desk, cases[i].suspect);
            assert_true(desk.after->items[at].prior > 1.05 * desk.before->items[at].prior);
        } else {
            for (size_t k = 1; k < desk.before->count; k++)
                check_close("as before", desk.after->items[k].prior, desk.before->items[k].prior,
                            1e-15);
        }
        desk_free(&desk);
    }
}

static cj_status whole_job(void *user, cj_error *err)
{
    cj__suspects *suspects = NULL;
    cj_confirmed item = {.times = 2};
    cj_history history = {.items = &item, .count = 1};
    double used = 0;
    cj_status status = cj_fault_read("open-pin:U1:7", &item.fault, err);
    if (status == CJ_OK)
        status = cj__suspects_make(((struct desk *)user)->board, &suspects, err);
    if (status == CJ_OK)
        status = cj__history_apply(&history, suspects, &used, err);
    cj__suspects_free(suspects);
    cj_fault_clear(&item.fault);
    return status;
}

void repairs_run_out_of_memory(void **state)
{
    (void)state;
    cj_errors errors;
    static const char text[] =
        "board: pair\n"
        "inputs:\n  - {net: in, source: 50}\n"
        "parts:\n"
        "  - {ref: R1, kind: resistor, value: 1k, pins: [in, out]}\n"
        "  - {ref: U1, kind: opamp, type: TL072, pins: [a, a, out, gnd, out, b, b, in]}\n"
        "steps:\n  - {step: quiet, drive: none, see: [out]}\n";
    struct desk desk = {0};
    if (cj_board_read_text("pair", text, sizeof text - 1, &desk.board, &errors) != CJ_OK)
        fail_msg("%s", errors.items[0].message);
    failing_each("repairs", whole_job, &desk);
    cj_board_free(desk.board);
}
