/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Cells in columns: what is written first decides how wide a column is. */
#include "report/board.h"

static const char *text_of(const cj_text *cell)
{
    return cell->bytes != NULL ? cell->bytes : "";
}

cj_text *cj__grid_row(struct cj__grid *grid)
{
    size_t columns = (size_t)grid->columns;
    if (!cj_reserve((void **)&grid->cells, &grid->capacity, grid->rows,
                    columns * sizeof *grid->cells)) {
        grid->failed = true;
        return NULL;
    }
    cj_text *row = &grid->cells[grid->rows++ * columns];
    for (size_t i = 0; i < columns; i++)
        row[i] = (cj_text){0};
    return row;
}

static void measure(const struct cj__grid *grid, size_t widths[CJ__GRID_COLUMNS])
{
    for (int column = 0; column < grid->columns; column++) {
        widths[column] = 0;
        for (size_t row = 0; row < grid->rows; row++) {
            size_t wide = cj__width(text_of(&grid->cells[row * (size_t)grid->columns + column]));
            widths[column] = wide > widths[column] ? wide : widths[column];
        }
    }
}

size_t cj__grid_width(const struct cj__grid *grid)
{
    size_t widths[CJ__GRID_COLUMNS], all = 0;
    measure(grid, widths);
    for (int column = 0; column < grid->columns; column++)
        all += widths[column] + (column > 0 ? CJ__GRID_GAP : 0);
    return all;
}

static void write_row(const struct cj__grid *grid, const cj_text *row, const size_t *widths,
                      cj_text *out)
{
    size_t blanks = 0; /* kept back: no line ends in them */
    for (int column = 0; column < grid->columns; column++) {
        const char *text = text_of(&row[column]);
        size_t wide = cj__width(text), spare = widths[column] - wide;
        bool right = grid->right[column];
        if (wide > 0) {
            cj_text_add(out, "%*s%s", (int)(blanks + (right ? spare : 0)), "", text);
            blanks = right ? 0 : spare;
        } else {
            blanks += spare;
        }
        blanks += CJ__GRID_GAP;
    }
    cj_text_add(out, "\n");
}

void cj__grid_write(const struct cj__grid *grid, size_t indent, cj_text *out)
{
    size_t widths[CJ__GRID_COLUMNS];
    measure(grid, widths);
    out->failed = out->failed || grid->failed;
    for (size_t i = 0; i < grid->rows * (size_t)grid->columns; i++)
        out->failed = out->failed || grid->cells[i].failed;
    for (size_t row = 0; row < grid->rows; row++) {
        cj_text_add(out, "%*s", (int)indent, "");
        write_row(grid, &grid->cells[row * (size_t)grid->columns], widths, out);
    }
}

void cj__grid_free(struct cj__grid *grid)
{
    for (size_t i = 0; i < grid->rows * (size_t)grid->columns; i++)
        cj_text_free(&grid->cells[i]);
    cj_free(grid->cells);
    grid->cells = NULL;
    grid->rows = grid->capacity = 0;
}
