// SPDX-License-Identifier: GPL-3.0-or-later

#ifndef BEAMWRIGHT_ORDERING_H
#define BEAMWRIGHT_ORDERING_H

#include "workspace.h"

#define BW_LIST_MOST 32     // longest neighbour list
#define BW_NODES_MOST 46340  // so that a square of them fits 31 bits

static inline int bw_lists_are_valid(int64_t count, int32_t size, const int32_t *neighbours) {
    uint32_t worst = 0;
    for (int64_t i = 0; i < count * size; i++) {
        worst = (uint32_t)neighbours[i] > worst ? (uint32_t)neighbours[i] : worst;
    }
    return count * size == 0 || worst < (uint64_t)count;
}

#endif
