/* ATmega328P at 16 MHz. Timer1 runs freely at the processor's clock, so that one turn of it is
 * one slice. Each axis has a compare channel that pulses STEP and sets itself to the next pulse,
 * in 2^-16 cycles; the overflow takes the next slice over from the main loop, which plans ahead.
 */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#include "board.h"
#include "pins.h"

#define BIT(n) ((uint8_t)(1U << (n)))
#define PLANNED 4    /* slices in hand, a power of two */
#define RX_BYTES 128 /* powers of two, at most 256 */
#define TX_BYTES 128
/* Cycles from reading the timer to a compare match that is sure to be seen. */
#define SOON 24
#define PULSE_CYCLES 32 /* 2 us: what common drivers ask for */

typedef struct {
    uint8_t steps;
    bool back;
    uint16_t base; /* low half of the step count at the slice's start */
    pulses_t pulses;
} axis_plan_t;

typedef struct {
    axis_plan_t axis[AXES];
    bool drivers_on;
} plan_t;

/* Where the pulse interrupts find the fields of a plan. */
#define PLAN_MAJOR 0
#define PLAN_MINOR 12
#define STEPS_AT 0
#define BACK_AT 1
#define FIRST_AT 4
#define EVERY_AT 8
_Static_assert(sizeof(axis_plan_t) == PLAN_MINOR && offsetof(axis_plan_t, steps) == STEPS_AT
                   && offsetof(axis_plan_t, back) == BACK_AT
                   && offsetof(axis_plan_t, pulses.first) == FIRST_AT
                   && offsetof(axis_plan_t, pulses.every) == EVERY_AT,
               "the assembly below reads plans");

/* Set by the pulse interrupts: the axis has taken its part of the next slice already. */
#define TAKEN GPIOR0
#define TAKEN_MAJOR 0
#define TAKEN_MINOR 1

/* Counted down by the pulse interrupts, in registers that they reach in one cycle. */
#define LEFT_MAJOR GPIOR1
#define LEFT_MINOR GPIOR2

static board_t board;

static plan_t plans[PLANNED];
static volatile uint8_t plan_head; /* the slice that runs now lies before this one */
static volatile uint8_t plan_count __attribute__((used));
static volatile uint8_t plan_now;
static const plan_t *volatile plan_next __attribute__((used)) = plans; /* at plan_head */
static volatile uint8_t late __attribute__((used)); /* wraps; the main loop adds it up */

static uint32_t at_major __attribute__((used)); /* of the next pulse */
static uint32_t at_minor __attribute__((used));
static uint32_t every_major __attribute__((used));
static uint32_t every_minor __attribute__((used));

static volatile uint8_t rx_head;
static volatile uint8_t rx_tail;
static uint8_t rx_bytes[RX_BYTES];
static volatile uint8_t tx_head;
static volatile uint8_t tx_tail;
static uint8_t tx_bytes[TX_BYTES];

typedef struct {
    volatile bool edge; /* an edge is waiting to be believed */
    volatile uint16_t steps;
    volatile bool inside;
    volatile bool forward;
    bool believed_inside;
    uint8_t slices;
} index_watch_t;

static index_watch_t index_watch[AXES];

/* ---- waking ---------------------------------------------------------------------------- */

static uint8_t reset_flags __attribute__((section(".noinit")));

/* Before anything else: why did we wake? A boot loader clears MCUSR and hands it on in r2; a bare
 * chip always has a cause in it. */
void wake(void) __attribute__((naked, used, section(".init0")));
void wake(void)
{
    __asm__ volatile("clr __zero_reg__\n\t"
                     "in r24, %[flags]\n\t"
                     "tst r24\n\t"
                     "brne 1f\n\t"
                     "mov r24, r2\n"
                     "1:\n\t"
                     "sts reset_flags, r24\n\t"
                     "out %[flags], __zero_reg__\n\t"
                     :
                     : [flags] "I"(_SFR_IO_ADDR(MCUSR))
                     : "r24");
}

static uint8_t reset_cause(void)
{
    if (reset_flags & BIT(WDRF)) {
        return RESET_WATCHDOG;
    }
    if (reset_flags & BIT(PORF)) {
        return RESET_POWER_ON; /* the supply's rise passes the brown-out level as well */
    }
    if (reset_flags & BIT(BORF)) {
        return RESET_BROWN_OUT;
    }
    return RESET_EXTERNAL;
}

static void set_up_pins(void)
{
    /* The level first, then the direction: the enable line never dips. */
    DRIVERS_ENABLE_PORT |= BIT(DRIVERS_ENABLE_BIT);
    DRIVERS_ENABLE_DDR |= BIT(DRIVERS_ENABLE_BIT);
    STEP_MAJOR_DDR |= BIT(STEP_MAJOR_BIT);
    DIR_MAJOR_DDR |= BIT(DIR_MAJOR_BIT);
    STEP_MINOR_DDR |= BIT(STEP_MINOR_BIT);
    DIR_MINOR_DDR |= BIT(DIR_MINOR_BIT);
    INDEX_MAJOR_PORT |= BIT(INDEX_MAJOR_BIT);
    INDEX_MINOR_PORT |= BIT(INDEX_MINOR_BIT);
    GUARD_PORT |= BIT(GUARD_BIT);
    DRIVER_OK_MAJOR_PORT |= BIT(DRIVER_OK_MAJOR_BIT);
    DRIVER_OK_MINOR_PORT |= BIT(DRIVER_OK_MINOR_BIT);
}

static void set_up_chip(void)
{
    UCSR0A = BIT(U2X0); /* before the divisor: 250000 baud has no error at 16 MHz / 8 / 8 */
    UBRR0 = 7;
    UCSR0C = BIT(UCSZ01) | BIT(UCSZ00);
    UCSR0B = BIT(RXEN0) | BIT(TXEN0) | BIT(RXCIE0);
    TCCR1A = 0;
    TCCR1B = BIT(CS10);
    OCR1A = 0x8080;
    OCR1B = 0x8080;
    TIMSK1 = BIT(TOIE1) | BIT(OCIE1A) | BIT(OCIE1B);
    EICRA = BIT(ISC00) | BIT(ISC10); /* both edges of both index switches */
    EIMSK = BIT(INT0) | BIT(INT1);
    ADCSRA = 0;
    set_sleep_mode(SLEEP_MODE_IDLE);
    wdt_enable(WDTO_250MS);
}

/* ---- pulses ---------------------------------------------------------------------------- */

/* One pulse of one axis. In assembly, for at 40000 steps/s on both axes a pulse has 200 cycles,
 * and the compiler's own would take 155; this takes 80. STEP is high for PULSE_CYCLES or more. */
#define PULSE_ISR(vector, axis_name, AXIS, channel)                                                \
    ISR(vector, ISR_NAKED)                                                                         \
    {                                                                                              \
        __asm__ volatile(                                                                          \
            "push r24\n\t"                                                                         \
            "in r24, __SREG__\n\t"                                                                 \
            "push r24\n\t"                                                                         \
            "push r25\n\t"                                                                         \
            "push r26\n\t"                                                                         \
            "in r24, %[left]\n\t"                                                                  \
            "tst r24\n\t" /* nothing due: an old match came round again */                         \
            "breq 1f\n\t"                                                                          \
            "sbi %[step_port], %[step_bit]\n\t"                                                    \
            "dec r24\n\t"                                                                          \
            "out %[left], r24\n\t"                                                                 \
            "breq 3f\n\t"                                                                          \
            "lds r24, at_" #axis_name "\n\t" /* at += every */                                     \
            "lds r25, every_" #axis_name "\n\t"                                                    \
            "add r24, r25\n\t"                                                                     \
            "sts at_" #axis_name ", r24\n\t"                                                       \
            "lds r24, at_" #axis_name "+1\n\t"                                                     \
            "lds r25, every_" #axis_name "+1\n\t"                                                  \
            "adc r24, r25\n\t"                                                                     \
            "sts at_" #axis_name "+1, r24\n\t"                                                     \
            "lds r26, at_" #axis_name "+2\n\t"                                                     \
            "lds r25, every_" #axis_name "+2\n\t"                                                  \
            "adc r26, r25\n\t"                                                                     \
            "sts at_" #axis_name "+2, r26\n\t"                                                     \
            "lds r24, at_" #axis_name "+3\n\t"                                                     \
            "lds r25, every_" #axis_name "+3\n\t"                                                  \
            "adc r24, r25\n\t"                                                                     \
            "sts at_" #axis_name "+3, r24\n\t"                                                     \
            "sts %[match]+1, r24\n\t" /* the whole part is the next match */                       \
            "sts %[match], r26\n\t"                                                                \
            "lds r25, %[timer]\n\t" /* passed already? */                                          \
            "cp r25, r26\n\t"                                                                      \
            "lds r25, %[timer]+1\n\t"                                                              \
            "cpc r25, r24\n\t"                                                                     \
            "brsh 2f\n"                                                                            \
            "1:\n\t"                                                                               \
            "cbi %[step_port], %[step_bit]\n\t"                                                    \
            "pop r26\n\t"                                                                          \
            "pop r25\n\t"                                                                          \
            "pop r24\n\t"                                                                          \
            "out __SREG__, r24\n\t"                                                                \
            "pop r24\n\t"                                                                          \
            "reti\n"                                                                               \
            "2:\n\t" /* passed: as soon as can be, and counted */                                  \
            "lds r26, %[timer]\n\t"                                                                \
            "lds r24, %[timer]+1\n\t"                                                              \
            "subi r26, lo8(-(%[soon]))\n\t"                                                        \
            "sbci r24, hi8(-(%[soon]))\n\t"                                                        \
            "sts %[match]+1, r24\n\t"                                                              \
            "sts %[match], r26\n\t"                                                                \
            "lds r24, late\n\t"                                                                    \
            "inc r24\n\t"                                                                          \
            "sts late, r24\n\t"                                                                    \
            "rjmp 1b\n"                                                                            \
            "3:\n\t" /* the last one of this slice: take the next, when its first comes after the turn */\
            "push r30\n\t"                                                                         \
            "push r31\n\t"                                                                         \
            "sbic %[flags], %[turned]\n\t" /* the turn is past: the overflow does it */            \
            "rjmp 5f\n\t"                                                                          \
            "lds r24, plan_count\n\t"                                                              \
            "tst r24\n\t"                                                                          \
            "breq 5f\n\t"                                                                          \
            "lds r30, plan_next\n\t"                                                               \
            "lds r31, plan_next+1\n\t"                                                             \
            "ldd r24, Z+%[steps_at]\n\t"                                                           \
            "tst r24\n\t"                                                                          \
            "breq 5f\n\t"                                                                          \
            "ldd r26, Z+%[first_at]+2\n\t"                                                         \
            "ldd r25, Z+%[first_at]+3\n\t"                                                         \
            "lds r24, %[timer]\n\t"                                                                \
            "cp r26, r24\n\t"                                                                      \
            "lds r24, %[timer]+1\n\t"                                                              \
            "cpc r25, r24\n\t"                                                                     \
            "brlo 9f\n\t"                                                                          \
            "5:\n\t" /* nothing to take yet: match far from the turn, where nothing is done */     \
            "ldi r24, 0x80\n\t"                                                                    \
            "sts %[match]+1, r24\n\t"                                                              \
            "sts %[match], r24\n\t"                                                                \
            "ldi r24, 6\n\t"                                                                       \
            "8:\n\t"                                                                               \
            "dec r24\n\t"                                                                          \
            "brne 8b\n\t"                                                                          \
            "rjmp 7f\n\t"                                                                          \
            "9:\n\t"                                                                               \
            "sts %[match]+1, r25\n\t"                                                              \
            "sts %[match], r26\n\t"                                                                \
            "sts at_" #axis_name "+3, r25\n\t"                                                     \
            "sts at_" #axis_name "+2, r26\n\t"                                                     \
            "ldd r24, Z+%[steps_at]\n\t"                                                           \
            "out %[left], r24\n\t"                                                                 \
            "ldd r24, Z+%[first_at]+0\n\t"                                                         \
            "sts at_" #axis_name "+0, r24\n\t"                                                     \
            "ldd r24, Z+%[first_at]+1\n\t"                                                         \
            "sts at_" #axis_name "+1, r24\n\t"                                                     \
            "ldd r24, Z+%[every_at]+0\n\t"                                                         \
            "sts every_" #axis_name "+0, r24\n\t"                                                  \
            "ldd r24, Z+%[every_at]+1\n\t"                                                         \
            "sts every_" #axis_name "+1, r24\n\t"                                                  \
            "ldd r24, Z+%[every_at]+2\n\t"                                                         \
            "sts every_" #axis_name "+2, r24\n\t"                                                  \
            "ldd r24, Z+%[every_at]+3\n\t"                                                         \
            "sts every_" #axis_name "+3, r24\n\t"                                                  \
            "cbi %[step_port], %[step_bit]\n\t" /* before the direction may change */              \
            "ldd r24, Z+%[back_at]\n\t"                                                            \
            "tst r24\n\t"                                                                          \
            "breq 4f\n\t"                                                                          \
            "cbi %[dir_port], %[dir_bit]\n\t"                                                      \
            "rjmp 6f\n\t"                                                                          \
            "4:\n\t"                                                                               \
            "sbi %[dir_port], %[dir_bit]\n\t"                                                      \
            "6:\n\t"                                                                               \
            "sbi %[taken], %[taken_bit]\n\t"                                                       \
            "sbis %[flags], %[turned]\n\t"                                                         \
            "rjmp 7f\n\t"                                                                          \
            "lds r24, %[timer]\n\t" /* it turned meanwhile: was the first missed? */               \
            "cp r24, r26\n\t"                                                                      \
            "lds r24, %[timer]+1\n\t"                                                              \
            "cpc r24, r25\n\t"                                                                     \
            "brlo 7f\n\t"                                                                          \
            "sbic %[flags], %[matched]\n\t"                                                        \
            "rjmp 7f\n\t"                                                                          \
            "lds r26, %[timer]\n\t"                                                                \
            "lds r24, %[timer]+1\n\t"                                                              \
            "subi r26, lo8(-(%[soon]))\n\t"                                                        \
            "sbci r24, hi8(-(%[soon]))\n\t"                                                        \
            "sts %[match]+1, r24\n\t"                                                              \
            "sts %[match], r26\n\t"                                                                \
            "7:\n\t"                                                                               \
            "pop r31\n\t"                                                                          \
            "pop r30\n\t"                                                                          \
            "rjmp 1b\n\t"                                                                          \
            :                                                                                      \
            : [step_port] "I"(_SFR_IO_ADDR(STEP_##AXIS##_PORT)), [step_bit] "I"(STEP_##AXIS##_BIT),\
              [dir_port] "I"(_SFR_IO_ADDR(DIR_##AXIS##_PORT)), [dir_bit] "I"(DIR_##AXIS##_BIT),    \
              [left] "I"(_SFR_IO_ADDR(LEFT_##AXIS)), [match] "n"(_SFR_MEM_ADDR(OCR1##channel##L)), \
              [timer] "n"(_SFR_MEM_ADDR(TCNT1L)), [flags] "I"(_SFR_IO_ADDR(TIFR1)),                \
              [turned] "I"(TOV1), [matched] "I"(OCF1##channel), [taken] "I"(_SFR_IO_ADDR(TAKEN)),  \
              [taken_bit] "I"(TAKEN_##AXIS), [steps_at] "n"(PLAN_##AXIS + STEPS_AT),               \
              [back_at] "n"(PLAN_##AXIS + BACK_AT), [first_at] "n"(PLAN_##AXIS + FIRST_AT),        \
              [every_at] "n"(PLAN_##AXIS + EVERY_AT), [soon] "n"(SOON));                           \
    }

PULSE_ISR(TIMER1_COMPA_vect, major, MAJOR, A)
PULSE_ISR(TIMER1_COMPB_vect, minor, MINOR, B)

/* What an axis has not taken by itself, because it stood still or turns slowly. The plan is a
 * constant place, so that this stays short. */
#define LOAD_AXIS(AXIS, axis_name, channel, plan)                                                  \
    if (TAKEN & BIT(TAKEN_##AXIS)) {                                                               \
        TAKEN &= (uint8_t)~BIT(TAKEN_##AXIS);                                                      \
    } else {                                                                                       \
        /* Pulses that did not get their turn before the slice ended; hardly ever any. */          \
        while (LEFT_##AXIS != 0) {                                                                 \
            STEP_##AXIS##_PORT |= BIT(STEP_##AXIS##_BIT);                                          \
            __builtin_avr_delay_cycles(PULSE_CYCLES);                                              \
            STEP_##AXIS##_PORT &= (uint8_t)~BIT(STEP_##AXIS##_BIT);                                \
            __builtin_avr_delay_cycles(PULSE_CYCLES);                                              \
            LEFT_##AXIS = LEFT_##AXIS - 1;                                                         \
            late++;                                                                                \
        }                                                                                          \
        if ((plan).steps != 0) {                                                                   \
            uint16_t due = (uint16_t)((plan).pulses.first >> 16);                                  \
            OCR1##channel = due;                                                                   \
            at_##axis_name = (plan).pulses.first;                                                  \
            every_##axis_name = (plan).pulses.every;                                               \
            LEFT_##AXIS = (plan).steps;                                                            \
            if ((plan).back) {                                                                     \
                DIR_##AXIS##_PORT &= (uint8_t)~BIT(DIR_##AXIS##_BIT);                              \
            } else {                                                                               \
                DIR_##AXIS##_PORT |= BIT(DIR_##AXIS##_BIT);                                        \
            }                                                                                      \
            uint16_t now = TCNT1;                                                                  \
            if (now >= due && !(TIFR1 & BIT(OCF1##channel))) {                                     \
                OCR1##channel = now + SOON;                                                        \
            }                                                                                      \
        }                                                                                          \
    }

#define LOAD_PLAN(number)                                                                          \
    case number:                                                                                   \
        LOAD_AXIS(MAJOR, major, A, plans[number].axis[MAJOR]);                                     \
        LOAD_AXIS(MINOR, minor, B, plans[number].axis[MINOR]);                                     \
        if (plans[number].drivers_on) {                                                            \
            DRIVERS_ENABLE_PORT &= (uint8_t)~BIT(DRIVERS_ENABLE_BIT);                              \
        } else {                                                                                   \
            DRIVERS_ENABLE_PORT |= BIT(DRIVERS_ENABLE_BIT);                                        \
        }                                                                                          \
        break

ISR(TIMER1_OVF_vect)
{
    uint8_t now = plan_head;
    if (plan_count == 0) {
        late++; /* the main loop was too slow: the frame stands still for a slice */
        return;
    }
    switch (now) {
        LOAD_PLAN(0);
        LOAD_PLAN(1);
        LOAD_PLAN(2);
        LOAD_PLAN(3);
    default:
        return;
    }
    plan_now = now;
    now = (now + 1) & (PLANNED - 1);
    plan_head = now;
    plan_next = &plans[now];
    plan_count--;
}

/* ---- the index switches ---------------------------------------------------------------- */

static inline void index_edge(uint8_t axis, bool inside, uint8_t left)
{
    index_watch_t *watch = &index_watch[axis];
    const axis_plan_t *plan = &plans[TAKEN & BIT(axis) ? plan_head : plan_now].axis[axis];
    if (watch->edge || inside == watch->believed_inside) {
        return;
    }
    uint8_t done = (uint8_t)(plan->steps - left);
    watch->steps = plan->back ? (uint16_t)(plan->base - done) : (uint16_t)(plan->base + done);
    watch->inside = inside;
    watch->forward = !plan->back;
    watch->edge = true;
}

ISR(INT0_vect)
{
    index_edge(MAJOR, (INDEX_MAJOR_PIN & BIT(INDEX_MAJOR_BIT)) == 0, LEFT_MAJOR);
}

ISR(INT1_vect)
{
    index_edge(MINOR, (INDEX_MINOR_PIN & BIT(INDEX_MINOR_BIT)) == 0, LEFT_MINOR);
}

/* An edge counts once the switch has stayed as it is for two slices: 8 ms. */
static void believe_index(uint8_t axis, bool inside)
{
    index_watch_t *watch = &index_watch[axis];
    if (!watch->edge) {
        watch->slices = 0;
        return;
    }
    if (inside != watch->inside) {
        watch->edge = false; /* it was noise */
        return;
    }
    if (watch->slices++ < 2) {
        return;
    }
    /* The count in hand runs ahead of the pins by the slices planned, far less than 2^15. */
    uint32_t ahead = (uint32_t)board.motion.axis[axis].steps;
    uint16_t back = (uint16_t)((uint16_t)ahead - watch->steps);
    int32_t steps = (int32_t)(ahead - (uint32_t)(int32_t)(int16_t)back);
    watch->believed_inside = watch->inside;
    board_index(&board, axis, watch->inside, watch->forward, steps);
    watch->slices = 0;
    watch->edge = false;
}

/* ---- the link -------------------------------------------------------------------------- */

ISR(USART_RX_vect)
{
    uint8_t byte = UDR0;
    uint8_t head = rx_head;
    uint8_t next = (head + 1) & (RX_BYTES - 1);
    if (next != rx_tail) {
        rx_bytes[head] = byte;
        rx_head = next;
    }
}

ISR(USART_UDRE_vect)
{
    uint8_t tail = tx_tail;
    UDR0 = tx_bytes[tail];
    tail = (tail + 1) & (TX_BYTES - 1);
    tx_tail = tail;
    if (tail == tx_head) {
        UCSR0B &= (uint8_t)~BIT(UDRIE0);
    }
}

static void send(void *ctx, const uint8_t *bytes, uint8_t count)
{
    (void)ctx;
    uint8_t head = tx_head;
    uint8_t room = (uint8_t)(tx_tail - head - 1) & (TX_BYTES - 1);
    if (count > room) {
        return;
    }
    for (uint8_t i = 0; i < count; i++) {
        tx_bytes[head] = bytes[i];
        head = (head + 1) & (TX_BYTES - 1);
    }
    tx_head = head;
    cli(); /* the interrupt clears its own enable bit in the same register */
    UCSR0B |= BIT(UDRIE0);
    sei();
}

static uint8_t inputs(void *ctx)
{
    (void)ctx;
    uint8_t seen = 0;
    if ((GUARD_PIN & BIT(GUARD_BIT)) == 0) {
        seen |= INPUT_GUARD_CLOSED;
    }
    if ((DRIVER_OK_MAJOR_PIN & BIT(DRIVER_OK_MAJOR_BIT)) != 0) {
        seen |= INPUT_DRIVER_FAULT_MAJOR;
    }
    if ((DRIVER_OK_MINOR_PIN & BIT(DRIVER_OK_MINOR_BIT)) != 0) {
        seen |= INPUT_DRIVER_FAULT_MINOR;
    }
    return seen;
}

/* ---- the main loop --------------------------------------------------------------------- */

static void count_late(void)
{
    static uint8_t counted;
    uint8_t more = (uint8_t)(late - counted);
    counted = (uint8_t)(counted + more);
    board.steps_late =
        more > UINT16_MAX - board.steps_late ? UINT16_MAX : (uint16_t)(board.steps_late + more);
}

static void plan_slice(void)
{
    slice_t slice;
    cli();
    uint8_t free = (plan_head + plan_count) & (PLANNED - 1);
    sei();
    plan_t *plan = &plans[free];
    for (uint8_t i = 0; i < AXES; i++) {
        plan->axis[i].base = (uint16_t)board.motion.axis[i].steps;
    }
    board_slice(&board, &slice);
    for (uint8_t i = 0; i < AXES; i++) {
        int16_t steps = slice.axis[i].steps;
        plan->axis[i].back = steps < 0;
        plan->axis[i].steps = (uint8_t)(steps < 0 ? -steps : steps);
        plan->axis[i].pulses = slice_pulses(&slice.axis[i]);
    }
    plan->drivers_on = slice.drivers_on;
    cli();
    plan_count++;
    sei();
    count_late();
    believe_index(MAJOR, (INDEX_MAJOR_PIN & BIT(INDEX_MAJOR_BIT)) == 0);
    believe_index(MINOR, (INDEX_MINOR_PIN & BIT(INDEX_MINOR_BIT)) == 0);
    wdt_reset();
}

int main(void)
{
    static const hal_t hal = {0, inputs, send, 0};
    wdt_disable();
    set_up_pins();
    board_init(&board, &hal, reset_cause());
    set_up_chip();
    sei();
    for (;;) {
        /* One slice must stay free: the one that runs is still looked at by the index. */
        if (plan_count < PLANNED - 1) {
            plan_slice();
        } else if (rx_tail != rx_head) {
            uint8_t tail = rx_tail;
            uint8_t byte = rx_bytes[tail];
            rx_tail = (tail + 1) & (RX_BYTES - 1);
            board_byte(&board, byte);
        } else {
            cli();
            if (plan_count == PLANNED - 1 && rx_tail == rx_head) {
                sleep_enable();
                sei(); /* takes effect after the next instruction, so nothing is missed */
                sleep_cpu();
                sleep_disable();
            }
            sei();
        }
    }
}
