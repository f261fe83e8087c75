/* The board: commands in, slices of motion out, guard and silence watched, state told.
 *
 * The port calls board_byte() for each byte received, board_slice() once per slice in the order
 * in which slices will be run, and board_index() when an index edge was seen. None of them waits.
 */
#ifndef EVENWALL_BOARD_H
#define EVENWALL_BOARD_H

#include "frames.h"
#include "hal.h"
#include "motion.h"

#ifndef QUEUE_RAMPS
#define QUEUE_RAMPS 64
#endif
/* Answers per slice; more are not sent, so that a flooded link cannot eat the processor. */
#ifndef REPLIES_PER_SLICE
#define REPLIES_PER_SLICE 2
#endif

typedef struct {
    uint32_t steps_per_turn[AXES];
    uint32_t rate_max[AXES];
    uint32_t accel_max[AXES];
    uint16_t index_tolerance[AXES]; /* steps; 0: no index on this axis */
} config_t;

typedef struct {
    uint8_t to;
    uint8_t status;
    uint16_t session;
    uint16_t seq;
    bool due;
} reply_t;

typedef struct {
    const hal_t *hal;
    motion_t motion;
    config_t config;
    bool configured;
    uint8_t reset_cause;

    uint8_t mode;
    bool end_disabled; /* STOPPING ends in DISABLED, not HOLDING */
    bool coasting;
    uint16_t faults;
    uint8_t guard_open_slices;
    uint8_t driver_fault_slices[AXES];

    ramp_t queue[QUEUE_RAMPS];
    uint16_t head; /* the oldest waiting ramp */
    uint16_t waiting;
    uint32_t queue_slices; /* waiting ramps only */
    uint32_t queue_low_slices;
    uint32_t accepted; /* ramps since enable */
    uint32_t ramps_done;
    int32_t tail_rate[AXES]; /* rates at the end of the newest ramp */
    bool ramp_from_queue;

    int32_t index_steps[AXES];
    bool indexed[AXES];

    frame_reader_t reader;
    bool session_open;
    uint16_t session;
    uint16_t last_seq;
    uint8_t last_type;
    uint8_t last_status;
    reply_t reply;
    uint8_t replies_left;

    uint32_t slice;
    uint32_t silent_slices;
    uint32_t grant_slices;
    uint16_t state_period;
    uint16_t state_due;
    uint16_t frames_bad;
    uint16_t steps_late;
} board_t;

void board_init(board_t *board, const hal_t *hal, uint8_t reset_cause);
void board_byte(board_t *board, uint8_t byte);
void board_slice(board_t *board, slice_t *out);
/* An index edge: the flag was entered or left while the axis moved forward or back, at this
 * step count. */
void board_index(board_t *board, uint8_t axis, bool entered, bool forward, int32_t steps);

#endif
