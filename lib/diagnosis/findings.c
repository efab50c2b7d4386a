/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "coldjoint/diagnosis.h"

void cj_findings_free(cj_findings *findings)
{
    if (findings == NULL)
        return;
    for (size_t i = 0; i < findings->count; i++) {
        cj_finding *finding = &findings->items[i];
        for (size_t f = 0; f < finding->fault_count; f++)
            cj_fault_clear(&finding->faults[f]);
        cj_free(finding->faults);
        cj_free(finding->says);
        cj_free(finding->evidence);
        cj_free(finding->check);
        cj_free(finding->caution);
    }
    cj_free(findings->items);
    cj_lines_free(&findings->explained);
    cj_free(findings);
}
