/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "report/board.h"

#include <math.h>

const char cj__too_large[] =
    "The board has too many op-amps to compare every fault with every other: what reads alike and "
    "what passes unseen is not known";

void cj__write_keyed(cj_text *out, const cj_keyed_figure *figure, bool with_u)
{
    if (figure->word != NULL)
        cj__write_clean(out, figure->word);
    else if (isfinite(figure->value) && with_u)
        cj__write_predicted(out, figure->value, figure->u, figure->unit);
    else if (isfinite(figure->value))
        cj__write_rounded(out, figure->value, figure->u, figure->unit);
    else if (figure->bound_kind != CJ_BOUND_NONE && isfinite(figure->bound)) {
        cj_text_add(out, figure->bound_kind == CJ_BELOW ? "< " : "> ");
        cj__write_bound(out, figure->bound, figure->bound_kind == CJ_BELOW, figure->unit);
    } else {
        cj_text_add(out, "\xe2\x80\x93");
    }
}

void cj__write_item(cj_text *out, size_t indent, const char *head, const cj_text *text)
{
    size_t start = out->length;
    cj_text_add(out, "%*s%s", (int)indent, "", head);
    out->failed = out->failed || text->failed;
    cj__wrap(out, start, indent + cj__width(head),
             text->failed || text->bytes == NULL ? "" : text->bytes);
}

void cj__clip(cj_text *text, size_t columns)
{
    size_t width = 0, at = 0;
    if (text->failed || text->bytes == NULL || cj__width(text->bytes) <= columns)
        return;
    /* the byte at which column number columns - 1 is full */
    while (at < text->length) {
        bool begins = ((unsigned char)text->bytes[at] & 0xc0) != 0x80;
        if (begins && ++width == columns)
            break;
        at++;
    }
    while (at > 0 && text->bytes[at - 1] == ' ')
        at--;
    text->length = at;
    text->bytes[at] = '\0';
    cj_text_add(text, "\xe2\x80\xa6");
}
