// SPDX-License-Identifier: GPL-3.0-or-later

#include "workspace.h"

#include <stdlib.h>

int32_t bw_abi_version(void) {
    return BW_ABI_VERSION;
}

bw_workspace *bw_workspace_new(void) {
    return calloc(1, sizeof(bw_workspace));
}

void bw_workspace_free(bw_workspace *workspace) {
    if (workspace == NULL) {
        return;
    }
    for (int i = 0; i < BW_BUFFER_COUNT; i++) {
        free(workspace->memory[i]);
    }
    free(workspace);
}

int64_t bw_workspace_bytes(const bw_workspace *workspace) {
    size_t total = 0;
    for (int i = 0; i < BW_BUFFER_COUNT; i++) {
        total += workspace->bytes[i];
    }
    return (int64_t)total;
}

// Bytes to allocate so that growing stays rare; 0 when count * size overflows.
static size_t padded(size_t count, size_t size) {
    if (size != 0 && count > (SIZE_MAX / 4) / size) {
        return 0;
    }
    size_t bytes = count * size;
#if defined(__SANITIZE_ADDRESS__)
    return bytes > 0 ? bytes : 1;  // no slack that could hide a step too far
#else
    return bytes + bytes / 4 + 64;
#endif
}

void *bw_reserve(bw_workspace *workspace, bw_buffer buffer, size_t count, size_t size) {
    size_t bytes = padded(count, size);
    if (bytes == 0) {
        return NULL;
    }
    if (workspace->bytes[buffer] < count * size || workspace->memory[buffer] == NULL) {
        free(workspace->memory[buffer]);
        workspace->memory[buffer] = malloc(bytes);
        workspace->bytes[buffer] = workspace->memory[buffer] == NULL ? 0 : bytes;
    }
    return workspace->memory[buffer];
}

void *bw_grow(bw_workspace *workspace, bw_buffer buffer, size_t count, size_t size) {
    size_t bytes = padded(count, size);
    if (bytes == 0) {
        return NULL;
    }
    if (workspace->bytes[buffer] < count * size || workspace->memory[buffer] == NULL) {
        void *moved = realloc(workspace->memory[buffer], bytes);
        if (moved == NULL) {
            return NULL;
        }
        workspace->memory[buffer] = moved;
        workspace->bytes[buffer] = bytes;
    }
    return workspace->memory[buffer];
}
