/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "base/utf8.h"

size_t cj__utf8_length(const unsigned char *text, size_t left)
{
    if (text[0] < 0x80)
        return 1;
    size_t length = text[0] >= 0xc2 && text[0] < 0xe0   ? 2
                    : text[0] >= 0xe0 && text[0] < 0xf0 ? 3
                    : text[0] >= 0xf0 && text[0] < 0xf5 ? 4
                                                        : 0;
    if (length == 0 || length > left)
        return 0;
    for (size_t i = 1; i < length; i++)
        if ((text[i] & 0xc0) != 0x80) /* also stops at a terminator */
            return 0;
    if ((text[0] == 0xe0 && text[1] < 0xa0) || (text[0] == 0xed && text[1] >= 0xa0) ||
        (text[0] == 0xf0 && text[1] < 0x90) || (text[0] == 0xf4 && text[1] >= 0x90))
        return 0;
    return length;
}
