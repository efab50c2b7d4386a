/* SPDX-License-Identifier: GPL-3.0-or-later */
/* html.h - what pages share: text from outside becomes harmless, and one look. */
#ifndef COLDJOINT_REPORT_HTML_H
#define COLDJOINT_REPORT_HTML_H

#include "report/internal.h"

/* Text of a file: controls and bad bytes replaced (cj__write_clean), <, >, &, " and ' escaped. NULL: nothing. */
void cj__html_text(cj_text *out, const char *text);
/* Text of our own that may hold words of a file already cleaned: escaped; \1 and \2 stand for <b> and </b>. Takes the
 * text over, a failure becomes one of out. */
void cj__html_moved(cj_text *out, cj_text *text);
/* <!DOCTYPE html> to <body>, with the title "HEAD NAME" and the style: what both pages share, then `more`. */
void cj__html_head(cj_text *out, const char *head, const char *name, const char *more);

#endif
