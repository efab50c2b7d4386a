/* SPDX-License-Identifier: GPL-3.0-or-later */
/*
 * base.h - status codes, error records, text, memory and written quantities.
 *
 * Every function of the library that can fail returns a cj_status and fills the optional cj_error it is
 * given (NULL is fine). The library never prints, never exits and keeps no global state. Whoever
 * allocates frees; every cj_..._free accepts NULL. Text in and out is UTF-8; numbers are written with a
 * decimal point whatever the locale.
 */
#ifndef COLDJOINT_BASE_H
#define COLDJOINT_BASE_H

#include <stdarg.h>
#include <stdbool.h>
#include <stddef.h>

#ifdef __cplusplus
extern "C" {
#endif

#if defined(__GNUC__)
#define CJ_PRINTF(f, a) __attribute__((format(printf, f, a)))
#define CJ_MUST_CHECK __attribute__((warn_unused_result))
#else
#define CJ_PRINTF(f, a)
#define CJ_MUST_CHECK
#endif
#define CJ_API __attribute__((visibility("default")))

/* The one list of status codes: name, number, what it means. The numbers are those of sysexits.h (BSD),
 * so a status is also the exit status of the command. */
#define CJ_STATUS_LIST(X)                                                                          \
    X(CJ_OK, 0, "done")                                                                            \
    X(CJ_USAGE, 64, "the request itself makes no sense")                                           \
    X(CJ_DATA, 65, "the input is not what it has to be")                                           \
    X(CJ_NOINPUT, 66, "no such input")                                                             \
    X(CJ_BUG, 70, "an inner contradiction: please report it")                                      \
    X(CJ_NOMEM, 71, "out of memory")                                                               \
    X(CJ_CANTCREAT, 73, "the output cannot be created")                                            \
    X(CJ_IO, 74, "reading or writing failed")                                                      \
    X(CJ_BUSY, 75, "in use by somebody else, try again")

typedef enum cj_status {
#define CJ_STATUS_ENUM(name, number, text) name = number,
    CJ_STATUS_LIST(CJ_STATUS_ENUM)
#undef CJ_STATUS_ENUM
} cj_status;

/* What went wrong and where. line and column are 1-based, 0 where they mean nothing. */
typedef struct cj_error {
    cj_status status;
    char file[512];    /* as the user named it; "-" is standard input; "" where no file is concerned */
    long line, column;
    char message[768]; /* what is wrong, and what would be right; one line, no full stop */
} cj_error;

/* Fills err (when not NULL) and returns status, so that `return cj_fail(...)` reads well.
 * Control characters in file and message are replaced, so an error is always one line. */
CJ_API cj_status cj_fail(cj_error *err, cj_status status, const char *file, long line, long column,
                         const char *format, ...) CJ_PRINTF(6, 7);

/* Out of memory, the one message for it. */
CJ_API cj_status cj_fail_memory(cj_error *err);

/* Writes "FILE:LINE:COL: message" (parts that are empty left out) into buffer. */
CJ_API void cj_error_text(const cj_error *err, char *buffer, size_t size);

/* "out of memory" and so on; never NULL. */
CJ_API const char *cj_status_text(cj_status status);

/* The version as "1.0.0" and the compile-time parts. */
#define CJ_VERSION_MAJOR 0
#define CJ_VERSION_MINOR 1
#define CJ_VERSION_PATCH 0
CJ_API const char *cj_version(void);

/* ---- memory: the only place that allocates. All return NULL on overflow or when memory is out. ---- */

CJ_API void *cj_new(size_t count, size_t size);                  /* zeroed */
CJ_API void *cj_resize(void *old, size_t count, size_t size);    /* not zeroed; old stays valid on NULL */
CJ_API char *cj_copy_text(const char *text);                     /* NULL in, NULL out */
CJ_API char *cj_copy_text_n(const char *text, size_t length);
CJ_API void cj_free(void *memory);

/* Room for one more element: *items has *count of *capacity elements of size bytes. False: out of memory. */
CJ_API bool cj_reserve(void **items, size_t *capacity, size_t count, size_t size);

/* ---- growable text ---- */

typedef struct cj_text {
    char *bytes; /* always terminated once something was added; NULL when empty */
    size_t length, capacity;
    bool failed; /* an addition ran out of memory: check once at the end */
} cj_text;

CJ_API void cj_text_add(cj_text *text, const char *format, ...) CJ_PRINTF(2, 3);
CJ_API void cj_text_add_n(cj_text *text, const char *bytes, size_t length);
CJ_API void cj_text_free(cj_text *text); /* frees the bytes and empties the struct */

/* A file written by hand ("-" is standard input), whole: at most 8 MiB. out is empty on entry, and stays so where the file
 * cannot be read. Errors: CJ_NOINPUT, CJ_DATA (a directory, too large), CJ_IO, CJ_NOMEM. */
CJ_API CJ_MUST_CHECK cj_status cj_text_file(const char *path, cj_text *out, cj_error *err);

/* ---- a list of lines (notes, advice) ---- */

typedef struct cj_lines {
    char **items;
    size_t count, capacity;
} cj_lines;

CJ_API cj_status cj_lines_add(cj_lines *lines, const char *format, ...) CJ_PRINTF(2, 3);
CJ_API void cj_lines_free(cj_lines *lines); /* frees the lines and empties the struct */

/* ---- quantities as people write them ---- */

/*
 * Reads a quantity: a number ("0.5", "-1e-3"), SI suffixes ("100k", "22p", "4.7u", "4,7u" is refused),
 * the code of IEC 60062 ("4k7", "2R2", "4n7", "R47"), an optional unit ("100 kohm", "1 V", "50mV"),
 * per cent ("1%" gives 0.01). `unit` is the unit allowed behind it ("ohm", "F", "V", "Hz", "s", or ""
 * for none); letters that are not it are an error. Suffixes: p n u µ m (none) k M G, and R as the point.
 * Returns CJ_DATA with the reason (and what would be right) in err->message when text is no such quantity
 * or is not finite. *value is left alone on failure.
 */
CJ_API CJ_MUST_CHECK cj_status cj_quantity_read(const char *text, const char *unit, double *value,
                                                cj_error *err);

/* strtod of the C locale whatever the locale is; same result as a correctly rounded strtod. */
CJ_API double cj_strtod(const char *text, char **end);

#ifdef __cplusplus
}
#endif
#endif
