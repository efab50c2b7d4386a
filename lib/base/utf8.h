/* SPDX-License-Identifier: GPL-3.0-or-later */
/* base/utf8.h - which bytes are text (RFC 3629). */
#ifndef COLDJOINT_BASE_UTF8_H
#define COLDJOINT_BASE_UTF8_H

#include "coldjoint/base.h"

/* Length of the UTF-8 character at text, of which `left` bytes are there; 0 where it is none (over-long
 * forms and surrogates are none). A NUL is a character of length 1. */
size_t cj__utf8_length(const unsigned char *text, size_t left);

#endif
