/* SPDX-License-Identifier: GPL-3.0-or-later */
/* coldjoint.h - all public headers, in the order in which volts pass through the house. */
#ifndef COLDJOINT_H
#define COLDJOINT_H

#include "coldjoint/base.h"
#include "coldjoint/capture.h"
#include "coldjoint/signal.h"
#include "coldjoint/figures.h"
#include "coldjoint/board.h"
#include "coldjoint/circuit.h"
#include "coldjoint/diagnosis.h"
#include "coldjoint/verdict.h"
#include "coldjoint/unitlog.h"
#include "coldjoint/report.h"

#endif
