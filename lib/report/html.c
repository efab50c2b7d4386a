/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "report/html.h"

/* Paper first: margins that fit A4 and Letter, black on white. */
static const char base_style[] =
    "@page{margin:15mm}"
    "body{font:11pt/1.35 sans-serif;color:#000;background:#fff;max-width:180mm;margin:0 auto;"
    "padding:0 2mm}"
    "h1{font-size:16pt;margin:4mm 0 1mm}h2{font-size:12pt;margin:5mm 0 1mm}"
    "ul{margin:1mm 0;padding-left:6mm}"
    "table{border-collapse:collapse;width:100%;margin-top:1mm}"
    "td,th{border:0.5pt solid;padding:0.5mm 2mm;text-align:left;font-weight:normal}"
    "th{font-size:9pt}";

/* What was cleaned already becomes harmless in a page. */
static void write_escaped(cj_text *out, const char *text)
{
    for (; *text; text++) {
        switch (*text) {
        case '&':
            cj_text_add(out, "&amp;");
            break;
        case '<':
            cj_text_add(out, "&lt;");
            break;
        case '>':
            cj_text_add(out, "&gt;");
            break;
        case '"':
            cj_text_add(out, "&quot;");
            break;
        case '\'':
            cj_text_add(out, "&#39;");
            break;
        case '\1':
            cj_text_add(out, "<b>");
            break;
        case '\2':
            cj_text_add(out, "</b>");
            break;
        default:
            cj_text_add_n(out, text, 1);
        }
    }
}

void cj__html_moved(cj_text *out, cj_text *text)
{
    if (text->bytes != NULL)
        write_escaped(out, text->bytes);
    out->failed = out->failed || text->failed;
    cj_text_free(text);
}

void cj__html_text(cj_text *out, const char *text)
{
    cj_text clean = {0};
    cj__write_clean(&clean, text != NULL ? text : "");
    cj__html_moved(out, &clean);
}

void cj__html_head(cj_text *out, const char *head, const char *name, const char *more)
{
    cj_text_add(out, "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
                     "<meta name=\"viewport\" content=\"width=device-width\">\n<title>");
    cj__html_text(out, head);
    cj__html_text(out, name);
    cj_text_add(out, "</title>\n<style>%s%s</style>\n</head>\n<body>\n", base_style, more);
}
