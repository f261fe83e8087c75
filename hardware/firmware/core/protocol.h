/* What goes over the wire: message ids, fields, units. firmware_bridge/wire.py says the same in
 * Python and a test holds the two together.
 *
 * A frame is  type u8 | session u16 | seq u16 | payload | crc16  in COBS, ended by a zero byte.
 * Integers are little-endian, except the CRC (CRC-16/CCITT-FALSE), which goes high byte first.
 *
 * Time on the board is counted in slices of 65536 processor cycles at 16 MHz: 4.096 ms.
 * A rate is in 2^-23 steps per slice; a position in 2^-24 steps.
 */
#ifndef EVENWALL_PROTOCOL_H
#define EVENWALL_PROTOCOL_H

#define PROTOCOL_VERSION 1

#define CYCLES_PER_S 16000000UL
#define SLICE_CYCLES 65536UL
#define RATE_FRACTION_BITS 23
#define POSITION_FRACTION_BITS 24

#define FRAME_BYTES_MAX 80 /* before COBS */
#define FRAME_HEADER_BYTES 5
#define FRAME_CRC_BYTES 2
#define RAMPS_PER_FRAME 5

/* 45000 steps/s: what the smallest board does cleanly on both axes at once. */
#ifndef RATE_HARD_MAX
#define RATE_HARD_MAX 1546188227L
#endif
/* A ramp of more than 18 hours is a mistake. */
#define RAMP_SLICES_MAX 0xFFFFFFUL
/* The longest time a host may leave the frame turning by itself: 4 hours. */
#define GRANT_SLICES_MAX 3515625UL

/* host to board */
#define MSG_HELLO 0x01  /* protocol u16, state_period_slices u16; layout frozen for ever */
#define MSG_CONFIG 0x02 /* steps_per_turn u32 x2, rate_max u32 x2, accel_max u32 x2 (rate per
                           slice), index_tolerance_steps u16 x2 (0: no index on that axis) */
#define MSG_ENABLE 0x03 /* grant_slices u32 */
#define MSG_KEEP 0x04   /* nothing: the host is alive */
#define MSG_QUEUE 0x05  /* ordinal u32, more u8, then 1..5 of: slices u32, rate i32 x2 */
#define MSG_HOLD 0x06   /* nothing */
#define MSG_STOP 0x07   /* nothing */

/* board to host */
#define MSG_INFO 0x81  /* protocol u16, flags u8 (1 simulated, 2 configured), reset_cause u8,
                          queue_capacity u16, the fields of CONFIG, firmware name 12 bytes */
#define MSG_REPLY 0x82 /* to u8, status u8, room u16, accepted u32, slice u32 */
#define MSG_STATE 0x83 /* slice u32, mode u8, flags u8, faults u16, steps i32 x2, rate i32 x2,
                          index_steps i32 x2, tail_rate i32 x2, queue_slices u32, ramps_done u32,
                          accepted u32, frames_bad u16, steps_late u16, queue_low_slices u32 */

/* reply status */
#define STATUS_OK 0
#define STATUS_NO_SESSION 1
#define STATUS_VERSION 2
#define STATUS_MODE 3
#define STATUS_GUARD 4
#define STATUS_DRIVER 5
#define STATUS_RATE 6
#define STATUS_ACCEL 7
#define STATUS_FULL 8
#define STATUS_ORDINAL 9
#define STATUS_CONFIG 10
#define STATUS_LENGTH 11
#define STATUS_TYPE 12
#define STATUS_GRANT 13

/* modes */
#define MODE_DISABLED 0
#define MODE_HOLDING 1
#define MODE_TURNING 2
#define MODE_STOPPING 3

/* state flags */
#define FLAG_GUARD_CLOSED 0x01
#define FLAG_COASTING 0x02
#define FLAG_INDEXED_MAJOR 0x04
#define FLAG_INDEXED_MINOR 0x08

/* faults, latched */
#define FAULT_GUARD_OPEN 0x0001
#define FAULT_DRIVER_MAJOR 0x0002
#define FAULT_DRIVER_MINOR 0x0004
#define FAULT_SLIP_MAJOR 0x0008
#define FAULT_SLIP_MINOR 0x0010
#define FAULT_HOST_SILENT 0x0020
#define FAULT_QUEUE_DRY 0x0040
#define FAULT_BROWN_OUT 0x0080
#define FAULT_WATCHDOG 0x0100

/* reset causes */
#define RESET_POWER_ON 0
#define RESET_EXTERNAL 1
#define RESET_BROWN_OUT 2
#define RESET_WATCHDOG 3

#endif
