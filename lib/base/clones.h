/* SPDX-License-Identifier: GPL-3.0-or-later */
/* clones.h - vector clones for the rooms that run over samples. */
#ifndef COLDJOINT_BASE_CLONES_H
#define COLDJOINT_BASE_CLONES_H

/* Vector clones of the innermost loops; ifunc and the sanitizers do not go together. Nothing is
 * contracted or reassociated by the clones, so every machine gives the same digits. */
#if defined(__x86_64__) && defined(__GNUC__) && !defined(__clang__) && defined(__ELF__) &&         \
    !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__)
#define CJ__CLONES __attribute__((target_clones("avx2", "default")))
#else
#define CJ__CLONES
#endif

#endif
