/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a fault is, and how it is written on a command line. */
#include "coldjoint/board.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#include "board/internal.h"

static const char *const words[] = {
#define CJ_FAULT_WORD(name, word) [name] = word,
    CJ_FAULT_LIST(CJ_FAULT_WORD)
#undef CJ_FAULT_WORD
        NULL,
};

enum { KINDS = sizeof words / sizeof words[0] - 1 };

const char *cj_fault_word(cj_fault_kind kind)
{
    return (size_t)kind < KINDS ? words[kind] : "outside";
}

cj_fault cj_fault_none(cj_fault_kind kind)
{
    return (cj_fault){.kind = kind, .value = NAN, .low = NAN, .high = NAN};
}

bool cj_fault_copy(cj_fault *to, const cj_fault *from)
{
    cj_fault *with = NULL;
    if (from->with != NULL) {
        with = cj_new(1, sizeof *with);
        if (with == NULL)
            return false;
        if (!cj_fault_copy(with, from->with)) {
            cj_free(with);
            return false;
        }
    }
    *to = *from;
    to->with = with;
    return true;
}

void cj_fault_clear(cj_fault *fault)
{
    if (fault == NULL)
        return;
    cj_fault *with = fault->with;
    *fault = cj_fault_none(fault->kind);
    while (with != NULL) {
        cj_fault *next = with->with;
        cj_free(with);
        with = next;
    }
}

/* ---- reading ---- */

/* One fault of the text, NUL-terminated, cut from the whole. */
struct piece {
    char text[256];
    const char *whole; /* for messages */
    cj_error *err;
};

static cj_status refuse(const struct piece *piece, const char *expected)
{
    return cj_fail(piece->err, CJ_DATA, NULL, 0, 0, "'%.100s' is no fault; expected %s",
                   piece->whole, expected);
}

/* How each kind goes on behind its word, and what is said where it does not. */
static const struct form {
    cj_fault_kind kind;
    bool pin, pin2;
    const char *expected;
} forms[] = {
    {CJ_FAULT_OPEN_PIN, true, false, "open-pin:REF:PIN, like open-pin:U1:7"},
    {CJ_FAULT_BRIDGE, true, true, "bridge:REF:PIN-PIN, like bridge:U1:1-2"},
    {CJ_FAULT_SHORTED, false, false, "shorted:REF, like shorted:C3"},
    {CJ_FAULT_WRONG_VALUE, false, false, "wrong-value:REF=VALUE, like wrong-value:R22=10k"},
    {CJ_FAULT_SWAPPED, false, false, "swapped:REF-REF, like swapped:R1-R2"},
    {CJ_FAULT_REVERSED, false, false, "reversed:REF, like reversed:C13"},
    {CJ_FAULT_AT_RAIL, true, false, "at-rail:REF:PIN=RAIL, like at-rail:U1:7=v+"},
    {CJ_FAULT_WEAK, true, false,
     "weak:REF:PIN=FIGURE, like weak:U1:7=offset, the figure one of offset, gbw, slew, swing, "
     "gain, bias"},
    {CJ_FAULT_UNPOWERED, false, false, "unpowered:RAIL, like unpowered:v+"},
    {CJ_FAULT_OUTSIDE, false, false, "outside:ROLE, the place in words"},
};

static const char *const figures[] = {"offset", "gbw", "slew", "swing", "gain", "bias", NULL};

static bool take_ref(const char **at, char ref[32])
{
    size_t length = strspn(*at, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789_.");
    if (length == 0 || length > 31)
        return false;
    memcpy(ref, *at, length);
    ref[length] = '\0';
    *at += length;
    return true;
}

static bool take_pin(const char **at, int *pin)
{
    size_t digits = strspn(*at, "0123456789");
    if (digits == 0 || digits > 3)
        return false;
    *pin = 0;
    for (; digits > 0; digits--)
        *pin = *pin * 10 + *(*at)++ - '0';
    return *pin > 0;
}

static bool take(const char **at, char mark)
{
    if (**at != mark)
        return false;
    ++*at;
    return true;
}

static bool is_rail(const char *text)
{
    return strcmp(text, "v+") == 0 || strcmp(text, "v-") == 0;
}

static bool take_value(const char *text, double *value)
{
    static const char *const units[] = {"ohm", "F"};
    for (size_t i = 0; i < 2; i++)
        if (cj_quantity_read(text, units[i], value, NULL) == CJ_OK)
            return *value > 0;
    return false;
}

/* What stands behind the = (NULL: nothing does; a repair may leave it out). */
static bool take_detail(cj_fault *fault, const char *text)
{
    switch (fault->kind) {
    case CJ_FAULT_WRONG_VALUE:
        return text == NULL || take_value(text, &fault->value);
    case CJ_FAULT_AT_RAIL:
        if (text == NULL)
            return true;
        snprintf(fault->rail, sizeof fault->rail, "%.2s", text);
        return is_rail(text);
    case CJ_FAULT_WEAK:
        for (size_t i = 0; text != NULL && figures[i] != NULL; i++) {
            if (strcmp(figures[i], text) == 0) {
                snprintf(fault->figure, sizeof fault->figure, "%s", text);
                return true;
            }
        }
        return text == NULL;
    default:
        return text == NULL;
    }
}

static bool read_form(cj_fault *fault, const struct form *form, const char *at)
{
    if (form->kind == CJ_FAULT_UNPOWERED) {
        snprintf(fault->rail, sizeof fault->rail, "%.2s", at);
        return is_rail(at);
    }
    if (form->kind == CJ_FAULT_OUTSIDE) {
        snprintf(fault->role, sizeof fault->role, "%s", at);
        return at[0] != '\0' && strlen(at) < sizeof fault->role;
    }
    if (!take_ref(&at, fault->part))
        return false;
    if (form->kind == CJ_FAULT_SWAPPED)
        return take(&at, '-') && take_ref(&at, fault->other) && *at == '\0' &&
               strcmp(fault->part, fault->other) != 0;
    if (form->pin && !(take(&at, ':') && take_pin(&at, &fault->pin)))
        return false;
    if (form->pin2 && !(take(&at, '-') && take_pin(&at, &fault->pin2) && fault->pin != fault->pin2))
        return false;
    bool detail = take(&at, '=');
    return (detail || *at == '\0') && take_detail(fault, detail ? at : NULL);
}

/* The kind whose word, and a colon or the end, is at text; -1: none. */
static int kind_at(const char *text)
{
    size_t length = strcspn(text, ":");
    for (int i = 0; i < KINDS; i++)
        if (strlen(words[i]) == length && strncmp(words[i], text, length) == 0)
            return i;
    return -1;
}

static cj_status refuse_kind(const struct piece *piece)
{
    char word[48], list[200] = "KIND:REF and so on, KIND one of ";
    snprintf(word, sizeof word, "%.*s", (int)strcspn(piece->text, ":"), piece->text);
    const char *meant = cj__nearest(word, words);
    if (meant != NULL)
        return cj_fail(piece->err, CJ_DATA, NULL, 0, 0, "'%.100s' is no fault; did you mean '%s'?",
                       piece->whole, meant);
    for (int i = 0; i < KINDS; i++)
        snprintf(list + strlen(list), sizeof list - strlen(list), "%s%s", i ? ", " : "", words[i]);
    return refuse(piece, list);
}

static cj_status read_piece(struct piece *piece, cj_fault *out)
{
    int kind = kind_at(piece->text);
    if (kind < 0)
        return refuse_kind(piece);
    const char *rest = piece->text + strlen(words[kind]);
    *out = cj_fault_none((cj_fault_kind)kind);
    if (*rest == '\0' && kind == CJ_FAULT_OUTSIDE)
        return CJ_OK; /* and no word of where */
    return *rest == ':' && read_form(out, &forms[kind], rest + 1)
               ? CJ_OK
               : refuse(piece, forms[kind].expected);
}

/* Where a second fault begins: behind a + with a kind's word. The + of "v+" has none behind it. */
static const char *second_of(const char *text)
{
    for (const char *plus = strchr(text, '+'); plus != NULL; plus = strchr(plus + 1, '+'))
        if (plus > text && kind_at(plus + 1) >= 0)
            return plus + 1;
    return NULL;
}

cj_status cj_fault_read(const char *text, cj_fault *out, cj_error *err)
{
    struct piece piece = {.whole = text ? text : "", .err = err};
    const char *second = second_of(piece.whole);
    size_t length = second ? (size_t)(second - 1 - piece.whole) : strlen(piece.whole);
    cj_fault first = cj_fault_none(CJ_FAULT_OUTSIDE), with = first;
    if (length >= sizeof piece.text || (second != NULL && strlen(second) >= sizeof piece.text))
        return refuse(&piece, "a shorter text");
    memcpy(piece.text, piece.whole, length);
    cj_status status = read_piece(&piece, &first);
    if (status == CJ_OK && second != NULL) {
        if (second_of(second) != NULL)
            return refuse(&piece, "two at once at the most");
        snprintf(piece.text, sizeof piece.text, "%s", second);
        status = read_piece(&piece, &with);
    }
    if (status == CJ_OK && second != NULL) {
        first.with = cj_new(1, sizeof with);
        if (first.with == NULL)
            return cj_fail_memory(err);
        *first.with = with;
    }
    if (status == CJ_OK)
        *out = first;
    return status;
}

/* ---- writing ---- */

/* As on parts where that says it, else with digits enough. */
static void add_value(double value, cj_text *out)
{
    char text[32];
    double back = 0;
    cj_value_text(value, text, sizeof text);
    if (cj_quantity_read(text, "", &back, NULL) != CJ_OK || !(fabs(back / value - 1) < 1e-9))
        cj__number_text(value, 6, text, sizeof text);
    cj_text_add(out, "=%s", text);
}

static void add_one(const cj_fault *fault, cj_text *out)
{
    cj_text_add(out, "%s", cj_fault_word(fault->kind));
    const char *subject = fault->kind == CJ_FAULT_UNPOWERED ? fault->rail
                          : fault->kind == CJ_FAULT_OUTSIDE ? fault->role
                                                            : fault->part;
    if (subject[0] != '\0')
        cj_text_add(out, ":%s", subject);
    if (fault->pin > 0)
        cj_text_add(out, ":%d", fault->pin);
    if (fault->pin2 > 0)
        cj_text_add(out, "-%d", fault->pin2);
    if (fault->kind == CJ_FAULT_SWAPPED)
        cj_text_add(out, "-%s", fault->other);
    if (fault->kind == CJ_FAULT_WRONG_VALUE && isfinite(fault->value))
        add_value(fault->value, out);
    if (fault->kind == CJ_FAULT_AT_RAIL && fault->rail[0] != '\0')
        cj_text_add(out, "=%s", fault->rail);
    if (fault->kind == CJ_FAULT_WEAK && fault->figure[0] != '\0')
        cj_text_add(out, "=%s", fault->figure);
}

void cj_fault_text(const cj_fault *fault, cj_text *out)
{
    for (const cj_fault *one = fault; one != NULL; one = one->with) {
        if (one != fault)
            cj_text_add(out, "+");
        add_one(one, out);
    }
}
