/* A controller with memory, `if`s and an integral; twin.py and twin_program.py
 * do the same sums in the same order. Macros make it misbehave. */

#include <stddef.h>

#include "oxytestbed_controller.h"

typedef struct {
    double held;
    double integral;
    double target;
    int calls;
#ifdef OVERRUN
    char more[OVERRUN];
#endif
} memory;

#ifdef OLD_VERSION
int oxt_abi_version(void) { return OXT_ABI_VERSION + 1; }
#elif !defined(NO_VERSION)
int oxt_abi_version(void) { return OXT_ABI_VERSION; }
#endif

size_t oxt_state_size(void)
{
#if defined(OVERRUN)
    return offsetof(memory, more);
#elif defined(HUGE_STATE)
    return (size_t)-1;
#else
    return sizeof(memory);
#endif
}

#ifndef PERIOD
#define PERIOD 2
#endif
int oxt_period_s(void) { return PERIOD; }

#ifndef NO_NAME
const char *oxt_name(void) { return "twin in C"; }
#endif

void oxt_init(void *state, const oxt_settings *settings)
{
    memory *m = state;
    m->target = 0.5 * (settings->target_low_pct + settings->target_high_pct);
}

#if defined(ECHO) /* the fields of the reading, one a call */

double oxt_act(void *state, const oxt_reading *r)
{
    memory *m = state;
    const double fields[] = {
        r->spo2_pct, r->signal_quality, r->pulse_rate_bpm, r->heart_rate_bpm, r->set_fio2,
        r->applied_fio2, r->delivered_fio2, r->target_low_pct, r->target_high_pct, r->fio2_min,
        r->fio2_max, (double)r->time_s, r->valid, r->mode, m->target,
    };
    return fields[m->calls++];
}

#elif !defined(NO_ACT)

double oxt_act(void *state, const oxt_reading *r)
{
    memory *m = state;
    double error, gain, request;

#ifdef CRASH
    if (r->time_s >= CRASH)
        *(volatile int *)0 = 1;
#endif
#ifdef OVERRUN
    m->more[OVERRUN - 1] = 0;
#endif
    if (m->calls++ == 0)
        m->held = m->integral = r->set_fio2;
    if (!r->valid)
        return m->held;
    error = m->target - r->spo2_pct;
    gain = r->spo2_pct < 85.0 ? 0.011 : 0.0037;
    if (r->pulse_rate_bpm < 100.0)
        gain = gain / 3.0;
    m->integral = m->integral + gain * error / 31.0;
    request = m->integral + gain * error;
    m->held = request;
    return request;
}

#endif

#ifndef NO_TRACK
void oxt_track(void *state, double applied_fio2, int active)
{
    memory *m = state;
    m->integral = m->integral + (applied_fio2 - m->held) / 7.0;
    m->held = applied_fio2;
    if (!active)
        m->integral = applied_fio2;
}
#endif
