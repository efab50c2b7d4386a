/* SPDX-License-Identifier: GPL-3.0-or-later */
/* numbering.c - the parameters of a board, and where each part's and each section begin. */
#include <math.h>

#include "circuit/internal.h"

#define SETTING_SIGMA 0.02
#define OUTPUT_SIGMA                                                                               \
    0.8 /* judged: hardly any maker states it, drawings and measurements differ by three */
#define RESIDUE_SIGMA 3.1622776601683794e-4 /* 10^(-70/20) of the drive: fault_physics 4 */

static size_t part_parameters(const cj_part *part, int index, cj_parameter *to)
{
    size_t count = 0;
    if (cj__has_value(part))
        to[count++] = (cj_parameter){CJ_P_VALUE, index, -1, part->tolerance / sqrt(3)};
    if (part->kind == CJ_POTENTIOMETER)
        to[count++] = (cj_parameter){CJ_P_SETTING, index, -1, SETTING_SIGMA};
    for (int s = 0; part->kind == CJ_OPAMP && s < part->section_count; s++) {
        const cj_opamp *type = &part->opamp;
        to[count++] = (cj_parameter){CJ_P_OFFSET, index, s, type->offset_v};
        to[count++] = (cj_parameter){CJ_P_BIAS, index, s, type->bias_a};
        to[count++] = (cj_parameter){CJ_P_GBW, index, s, type->gbw_spread};
        to[count++] = (cj_parameter){CJ_P_OUTPUT, index, s, type->ideal ? 0 : OUTPUT_SIGMA};
        to[count++] = (cj_parameter){CJ_P_HELD, index, s, type->swing_spread};
        to[count++] = (cj_parameter){CJ_P_RESIDUE, index, s, RESIDUE_SIGMA};
    }
    return count;
}

cj_status cj__numbering_make(const cj_board *board, cj__numbering *out, cj_error *err)
{
    enum { MOST = 24 }; /* parameters of one part: four sections of six */
    *out = (cj__numbering){.board = board};
    out->first_parameter = cj_new(board->part_count, sizeof(int));
    out->first_amp = cj_new(board->part_count, sizeof(int));
    size_t capacity = 0;
    if (out->first_parameter == NULL || out->first_amp == NULL)
        goto memory;
    for (size_t k = 0; k < board->part_count; k++) {
        const cj_part *part = &board->parts[k];
        if (!cj_reserve((void **)&out->parameters, &capacity, out->parameter_count + MOST,
                        sizeof(cj_parameter)))
            goto memory;
        out->first_parameter[k] = (int)out->parameter_count;
        out->first_amp[k] = (int)out->amp_count;
        out->parameter_count +=
            part_parameters(part, (int)k, out->parameters + out->parameter_count);
        out->amp_count += part->kind == CJ_OPAMP ? (size_t)part->section_count : 0;
    }
    return CJ_OK;
memory:
    cj__numbering_clear(out);
    return cj_fail_memory(err);
}

void cj__numbering_clear(cj__numbering *numbering)
{
    cj_free(numbering->first_parameter);
    cj_free(numbering->first_amp);
    cj_free(numbering->parameters);
    *numbering = (cj__numbering){0};
}
