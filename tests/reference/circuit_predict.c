/* SPDX-License-Identifier: GPL-3.0-or-later */
/* circuit_predict.c - what the library predicts for variants of a board that are asked for on
 * standard input.
 *
 *   circuit_predict BOARD HZ...          then lines, edits of one variant until "go":
 *     value REF A | lift REF PIN OHM FARAD | join REF PIN PIN2 OHM | leak REF PIN PIN2 OHM FARAD |
 * reverse REF mode REF PIN high|low|dead|held A B | figure REF PIN NAME A | rail +1|-1 A | go
 *
 * For each "go" one line of JSON: a list of steps, each with by, dc, tone (re, im by channel), thd,
 * and the response at every HZ for a driven step. Or {"error": ...}. */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "coldjoint/board.h"
#include "coldjoint/circuit.h"

enum { MOST_EDITS = 64, MOST_HZ = 64 };

typedef struct asked {
    cj_board *board;
    cj_bench *bench;
    cj_edit edits[MOST_EDITS];
    size_t count;
    double hz[MOST_HZ];
    size_t hz_count;
} asked;

static int word_in(const char *word, const char *const *list)
{
    for (int k = 0; list[k]; k++)
        if (strcmp(list[k], word) == 0)
            return k;
    return -1;
}

static double read_number(const char *text)
{
    return strcmp(text, "inf") == 0 ? (double)INFINITY : strtod(text, NULL);
}

/* The words of a line as an edit; false where they are none. */
static bool read_edit(const asked *in, char words[7][48], int count, cj_edit *edit)
{
    static const char *const kinds[] = {"value",   "lift", "join",   "leak", "net",
                                        "reverse", "mode", "figure", "rail", NULL};
    static const char *const modes[] = {"linear", "high", "low", "dead", "held", NULL};
    static const char *const figures[] = {"gbw",  "slew",  "gain",   "offset",
                                          "bias", "swing", "output", NULL};
    int kind = word_in(words[0], kinds);
    if (kind < 0 || count < 2)
        return false;
    *edit = (cj_edit){.kind = (cj_edit_kind)kind};
    if (edit->kind == CJ_EDIT_RAIL) {
        edit->pin = atoi(words[1]), edit->a = read_number(words[2]);
        return true;
    }
    edit->part = cj_board_part(in->board, words[1]);
    if (edit->kind == CJ_EDIT_VALUE)
        edit->a = read_number(words[2]);
    else if (edit->kind != CJ_EDIT_REVERSE)
        edit->pin = atoi(words[2]);
    if (edit->kind == CJ_EDIT_LIFT)
        edit->a = read_number(words[3]), edit->b = read_number(words[4]);
    if (edit->kind == CJ_EDIT_JOIN || edit->kind == CJ_EDIT_LEAK) {
        edit->pin2 = atoi(words[3]), edit->a = read_number(words[4]);
        edit->b = edit->kind == CJ_EDIT_LEAK ? read_number(words[5]) : 0;
    }
    if (edit->kind == CJ_EDIT_MODE) {
        edit->mode = (cj_mode)word_in(words[3], modes);
        edit->a = count > 4 ? read_number(words[4]) : 0,
        edit->b = count > 5 ? read_number(words[5]) : 0;
    }
    if (edit->kind == CJ_EDIT_FIGURE)
        edit->figure = (cj_section_figure)word_in(words[3], figures),
        edit->a = read_number(words[4]);
    return edit->part >= 0;
}

static void print_number(double value)
{
    if (isfinite(value))
        printf("%.12g", value);
    else
        printf("null");
}

static void print_complex(const cj_complex *values, size_t count)
{
    for (size_t k = 0; k < count; k++)
        printf("%s[%.12g, %.12g]", k ? ", " : "", values[k].re, values[k].im);
}

static cj_status print_response(asked *in, size_t step, const cj_variant *variant, cj_error *err)
{
    cj_complex out[2 * MOST_HZ];
    size_t channels = (size_t)in->board->steps[step].see_count;
    cj_status status = cj_bench_response(in->bench, step, variant, in->hz, in->hz_count, out, err);
    if (status == CJ_OK) {
        printf(", \"response\": [");
        print_complex(out, in->hz_count * channels);
        printf("]");
    }
    return status;
}

static cj_status print_step(asked *in, size_t step, const cj_variant *variant, cj_error *err)
{
    static const char *const by[] = {"linear", "held", "transient", "excess", "poles"};
    cj_prediction *prediction = NULL;
    cj_status status = cj_prediction_make(in->bench, step, &prediction, err);
    if (status == CJ_OK)
        status =
            cj_bench_predict(in->bench, step, variant, CJ_TRANSIENT | CJ_POLES, prediction, err);
    if (status != CJ_OK)
        goto out;
    printf("{\"step\": \"%s\", \"by\": \"%s\", \"dc\": [", in->board->steps[step].name,
           by[prediction->by]);
    for (int c = 0; c < prediction->channels; c++) {
        printf(c ? ", " : "");
        print_number(prediction->dc_v[c]);
    }
    printf("], \"thd\": [");
    for (int c = 0; c < prediction->channels; c++) {
        printf(c ? ", " : "");
        print_number(prediction->thd[c]);
    }
    printf("], \"fragile\": %d, \"modes\": [", prediction->fragile_part);
    for (size_t p = 0, n = 0; p < in->board->part_count; p++)
        for (int s = 0; s < in->board->parts[p].section_count; s++, n++)
            printf("%s%d", n ? ", " : "", prediction->modes[n]);
    printf("], \"tone\": [");
    print_complex(prediction->tone, (size_t)(prediction->points * prediction->channels));
    printf("]");
    if (in->board->steps[step].drive >= 0)
        status = print_response(in, step, variant, err);
    printf("}");
out:
    cj_prediction_free(prediction);
    return status;
}

static void go(asked *in)
{
    cj_variant variant = {in->edits, in->count};
    cj_error err = {0};
    cj_status status = CJ_OK;
    printf("[");
    for (size_t k = 0; k < in->board->step_count && status == CJ_OK; k++) {
        printf(k ? ", " : "");
        status = print_step(in, k, &variant, &err);
    }
    if (status != CJ_OK)
        printf("{\"error\": \"%s\"}", err.message);
    printf("]\n");
    fflush(stdout);
    in->count = 0;
}

int main(int argc, char **argv)
{
    asked in = {0};
    cj_errors errors = {0};
    cj_error err = {0};
    char line[400], words[7][48];
    int result = 1;
    if (argc < 2 || argc - 2 > MOST_HZ)
        return 1;
    for (int k = 2; k < argc; k++)
        in.hz[in.hz_count++] = strtod(argv[k], NULL);
    if (cj_board_read(argv[1], &in.board, &errors) != CJ_OK) {
        fprintf(stderr, "circuit_predict: %s\n", errors.items[0].message);
        return 1;
    }
    if (cj_bench_make(in.board, &in.bench, &err) != CJ_OK) {
        fprintf(stderr, "circuit_predict: %s\n", err.message);
        goto out;
    }
    while (fgets(line, sizeof line, stdin)) {
        int count = sscanf(line, "%47s %47s %47s %47s %47s %47s %47s", words[0], words[1], words[2],
                           words[3], words[4], words[5], words[6]);
        if (count == 1 && strcmp(words[0], "go") == 0) {
            go(&in);
        } else if (in.count == MOST_EDITS || !read_edit(&in, words, count, &in.edits[in.count++])) {
            fprintf(stderr, "circuit_predict: no edit: %s", line);
            goto out;
        }
    }
    result = 0;
out:
    cj_bench_free(in.bench);
    cj_board_free(in.board);
    return result;
}
