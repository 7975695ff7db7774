/* The arithmetic of the simulator in lanes in plain C, one engine after the other: the rival of tests/benchmarks/lanes.py.
   Places in the arrays (P_..., G_..., T_...) come from valvectl.plant.layout as definitions before this file. */
#include <math.h>
#include <string.h>

#define RING 32
static inline double clip(double x, double l) { return x < -l ? -l : x > l ? l : x; }
static inline double count(double a, double c) { return c <= 0.0 ? a : floor(a / c + 0.5) * c; }
static inline double slip(double w, double level, double over) {
    double d = level * over;
    return w > d ? w - d : w < -d ? w + d : 0.0;
}
static inline double integral(double e, double x, double kp, double ki, double u, double l) {
    return (u > l && e > 0.0) || (u < -l && e < 0.0) ? x : x + kp * ki * e;
}
static inline double look(const double *t, int n, double position) {
    if (!(position > 0.0)) return t[0];
    if (position >= n - 1) return t[n - 1];
    int i = (int)position;
    return t[i] + (position - i) * (t[i + 1] - t[i]);
}
static inline double column(double m, double push, double loss, double over) {
    double weight = 4.0 * over * over * loss * fmax(fabs(push), 1.0) > 1.0 ? 1.0 : 0.5;
    double gain = weight * over, q = m + gain * push;
    double at = 2.0 * q / (1.0 + sqrt(1.0 + 4.0 * gain * loss * fabs(q)));
    return m + (at - m) / weight;
}
static inline double sag(double v, double r, double i) { double x = v - r * i; return x > 0.1 * v ? x : 0.1 * v; }

typedef struct {
    double current, motor_speed, motor, stem_speed, stem, ball, flow, manifold, drop, voltage, bus;
    double order, before, speed_set, current_set, angle_before, filtered, speed_sum, current_sum;
    double out[3][RING];
} leg_state;

/* Largest |O/F error| of one engine. par (2, P_SIZE), tables (2, T_SIZE, n), losses (2, 2, m), command (2, samples),
   periods (2, 3), start (2, 4): angle, flow, manifold, drop. flows: room for 2 rings of mask + 1. */
double engine(const double *par, const double *g, const double *tables, int n, const double *losses, int m,
              const double *cstar, int nx, int nr, const double *command, int samples, const long *periods,
              const double *start, double pressure, double wanted, double *flows, int mask, long steps, long every,
              int parts) {
    leg_state legs[2];
    double h = g[G_STEP], part = h / parts, peak = 0.0;
    memset(legs, 0, sizeof legs);
    for (int k = 0; k < 2; k++) {
        const double *p = par + k * P_SIZE;
        leg_state *s = legs + k;
        s->stem = s->ball = start[4 * k];
        s->motor = s->stem / p[P_PER_RATIO];
        s->flow = start[4 * k + 1]; s->manifold = start[4 * k + 2]; s->drop = start[4 * k + 3];
        s->bus = g[G_BATTERY]; s->order = s->before = command[k * samples];
        s->angle_before = count(s->stem, p[P_SPEED_COUNT]);
        for (int i = 0; i <= mask; i++) flows[k * (mask + 1) + i] = s->flow;
    }
    for (long tick = 0; tick <= steps; tick++) {
        double drawn[2], all = g[G_OTHER_LOADS];
        for (int k = 0; k < 2; k++) {
            drawn[k] = (legs[k].voltage * legs[k].current + par[k * P_SIZE + P_IDLE_POWER]) / legs[k].bus;
            all += drawn[k];
        }
        double terminal = sag(g[G_BATTERY], g[G_BATTERY_RESISTANCE], all);
        for (int k = 0; k < 2; k++) {
            const double *p = par + k * P_SIZE;
            const long *T = periods + 3 * k;
            leg_state *s = legs + k;
            s->bus = sag(terminal, p[P_HARNESS], drawn[k]);
            if (tick % T[0] == 0) {
                long i = tick / T[0];
                s->before = s->order;
                s->order = command[k * samples + (i < samples ? i : samples - 1)];
                double a = count(p[P_POSITION_ON_MOTOR] > 0.5 ? s->motor * p[P_PER_RATIO] : s->stem, p[P_POSITION_COUNT]);
                double e = s->order - a;
                if (s->order == s->before && fabs(e) <= p[P_HOLD_BAND]) e = 0.0;
                s->out[0][i % RING] = clip(p[P_KP_POSITION] * e + p[P_FEEDFORWARD] * (s->order - s->before) / p[P_POSITION_PERIOD], p[P_SPEED_LIMIT]);
            }
            if (tick % T[1] == 0) {
                s->speed_set = s->out[0][(long)floor((tick + 1e-9 - p[P_POSITION_DELAY_TICKS]) / T[0]) & (RING - 1)];
                double a = count(p[P_SPEED_ON_MOTOR] > 0.5 ? s->motor * p[P_PER_RATIO] : s->stem, p[P_SPEED_COUNT]);
                s->filtered += p[P_FILTER_SHARE] * ((a - s->angle_before) / p[P_SPEED_PERIOD] - s->filtered);
                s->angle_before = a;
                double e = s->speed_set - s->filtered, u = p[P_KP_SPEED] * e + s->speed_sum;
                s->speed_sum = integral(e, s->speed_sum, p[P_KP_SPEED], p[P_KI_SPEED] * p[P_SPEED_PERIOD], u, p[P_CURRENT_LIMIT]);
                s->out[1][(tick / T[1]) % RING] = clip(u, p[P_CURRENT_LIMIT]);
            }
            if (tick % T[2] == 0) {
                s->current_set = s->out[1][(long)floor((tick + 1e-9 - p[P_SPEED_DELAY_TICKS]) / T[1]) & (RING - 1)];
                double l = p[P_DUTY_LIMIT] * s->bus, e = s->current_set - s->current, u = p[P_KP_CURRENT] * e + s->current_sum;
                s->current_sum = integral(e, s->current_sum, p[P_KP_CURRENT], p[P_KI_CURRENT] * p[P_CURRENT_PERIOD], u, l);
                s->out[2][(tick / T[2]) % RING] = clip(u, l);
            }
        }
        if (tick % every == 0 || tick == steps) {
            double f[2];
            for (int k = 0; k < 2; k++) {
                double d = legs[k].manifold - pressure;
                f[k] = copysign(par[k * P_SIZE + P_ORIFICE] * sqrt(fabs(d)), d);
            }
            peak = fmax(peak, fabs(f[0] / f[1] / wanted - 1.0));
        }
        if (tick == steps) break;
        double burnt[2];
        for (int k = 0; k < 2; k++) {
            const double *p = par + k * P_SIZE, *t = tables + (long)k * T_SIZE * n, *up = losses + 2 * k * m;
            long T = periods[3 * k + 2];
            leg_state *s = legs + k;
            double at = (s->ball - p[P_GRID_START]) * p[P_GRID_PER_STEP];
            double c = look(t + T_C * n, n, at), fl = look(t + T_FL * n, n, at), loss = 1.0 / (p[P_RHO] * c * c);
            at = s->flow * p[P_LOSS_PER_STEP];
            double lu = look(up, m, at), ld = look(up + m, m, at);
            double supply = p[P_TANK] - p[P_DROOP_SLOPE] * s->flow + p[P_HEAD];
            double open = column(s->flow, supply - s->manifold, lu + loss + ld, p[P_STEP_OVER_ALL]);
            double choked = column(s->flow, supply - p[P_FF] * p[P_VAPOUR], lu + loss / (fl * fl), p[P_STEP_OVER_UP]);
            double after = fmin(open, choked), mean = 0.5 * (s->flow + after), rate = (after - s->flow) / h;
            s->drop = supply - lu * mean * fabs(mean) - p[P_UP_INERTANCE] * rate
                      - (s->manifold + ld * mean * fabs(mean) + p[P_DOWN_INERTANCE] * rate);
            s->flow = after;
            for (int i = 0; i < parts; i++) {
                double length = 1.0 / parts, late = tick + i * length + 1e-9 - p[P_CURRENT_DELAY_TICKS];
                long a = (long)floor(late / T), b = (long)floor((late + length) / T);
                double x = s->out[2][a & (RING - 1)], y = s->out[2][b & (RING - 1)], v = x;
                if (a != b) v += (y - x) * (tick + (i + 1) * length - (b * T + p[P_CURRENT_DELAY_TICKS])) / length;
                s->voltage = y;
                double twist = s->motor * p[P_PER_RATIO] - s->stem, turn = s->motor_speed * p[P_PER_RATIO] - s->stem_speed;
                double gap = p[P_HALF_GAP], spring;
                if (gap <= 0.0) spring = p[P_SPRING] * twist + p[P_DAMPING] * turn;
                else if (twist > gap) spring = fmax(0.0, p[P_SPRING] * (twist - gap) + p[P_DAMPING] * turn);
                else if (twist < -gap) spring = fmin(0.0, p[P_SPRING] * (twist + gap) + p[P_DAMPING] * turn);
                else spring = 0.0;
                double half = p[P_VISCOUS_DECAY], over = p[P_STEP_OVER_MOTOR] / (1.0 + half);
                double w = s->motor_speed * (1.0 - half) / (1.0 + half) + over * (p[P_TORQUE_CONSTANT] * s->current - p[P_MESH_MEAN] * spring);
                s->motor_speed = slip(w, p[P_MOTOR_FRICTION] + p[P_MESH_LOSS] * fabs(spring), over);
                s->motor += part * s->motor_speed;
                double where = (s->stem - p[P_GRID_START]) * p[P_GRID_PER_STEP];
                double factor = p[P_COLD] * (1.0 + p[P_RELATIVE_SLOPE] * fmax(s->drop, 0.0));
                double stream = p[P_HYDRO] * p[P_BORE] * p[P_BORE] * p[P_BORE] * s->drop;
                double shut = p[P_RETURN_PRELOAD] + p[P_RETURN_RATE] * (s->stem - p[P_CLOSED_STOP]);
                over = p[P_STEP_OVER_LOAD];
                double loose = s->stem_speed + over * (spring - stream - shut);
                int way = s->stem_speed < 0.0 || (s->stem_speed == 0.0 && loose < 0.0) ? T_CLOSING * n : 0;
                double run = look(t + T_RUN * n + way, n, where), stick = look(t + T_BREAK * n + way, n, where);
                double z = s->stem_speed / p[P_STRIBECK], level = factor * (run + (stick - run) * exp(-z * z));
                z = 0.5 * (s->stem_speed + slip(loose, level, over)) / p[P_STRIBECK];
                level = factor * (run + (stick - run) * exp(-z * z));
                s->stem_speed = slip(loose, level, over);
                s->stem += part * s->stem_speed;
                if (s->stem >= p[P_OPEN_STOP]) { s->stem = p[P_OPEN_STOP]; s->stem_speed = fmin(s->stem_speed, 0.0); }
                if (s->stem <= p[P_CLOSED_STOP]) { s->stem = p[P_CLOSED_STOP]; s->stem_speed = fmax(s->stem_speed, 0.0); }
                if (s->stem - s->ball > p[P_HALF_SLOT]) s->ball = s->stem - p[P_HALF_SLOT];
                else if (s->stem - s->ball < -p[P_HALF_SLOT]) s->ball = s->stem + p[P_HALF_SLOT];
                s->current = (s->current * (1.0 - p[P_CURRENT_HALF]) + p[P_CURRENT_GAIN] * (v - p[P_TORQUE_CONSTANT] * s->motor_speed)) / (1.0 + p[P_CURRENT_HALF]);
            }
            long whole = (long)p[P_DELAY];
            double share = p[P_DELAY] - whole, *f = flows + k * (mask + 1);
            burnt[k] = (1.0 - share) * f[(tick - whole) & mask] + share * f[(tick - whole - 1) & mask];
        }
        double u = (burnt[0] / fmax(burnt[1], 1e-9) - g[G_R_START]) / g[G_R_STEP], v = (log(fmax(pressure, 1.0)) - g[G_X_START]) / g[G_X_STEP];
        u = fmin(fmax(u, 0.0), nr - 1); v = fmin(fmax(v, 0.0), nx - 1);
        int i = u < nr - 2 ? (int)u : nr - 2, j = v < nx - 2 ? (int)v : nx - 2;
        const double *low = cstar + j * nr + i, *high = low + nr;
        double a = low[0] + (u - i) * (low[1] - low[0]), b = high[0] + (u - i) * (high[1] - high[0]);
        double speed = g[G_EFFICIENCY] * (a + (v - j) * (b - a)), theta = g[G_RESIDENCE] / speed;
        double rate = (speed * (burnt[0] + burnt[1]) / g[G_THROAT_AREA] - pressure) / theta;
        double after = pressure + h * rate / (1.0 + 0.5 * h / theta), middle = 0.5 * (pressure + after);
        for (int k = 0; k < 2; k++) {
            const double *p = par + k * P_SIZE;
            leg_state *s = legs + k;
            double bb = p[P_HALF_STEP_COMPLIANCE] * p[P_ORIFICE], q = s->manifold - middle + p[P_HALF_STEP_COMPLIANCE] * s->flow;
            double r = fabs(q) / (sqrt(0.25 * bb * bb + fabs(q)) + 0.5 * bb);
            s->manifold = 2.0 * (copysign(r * r, q) + middle) - s->manifold;
            flows[k * (mask + 1) + (tick & mask)] = copysign(p[P_ORIFICE] * r, q);
        }
        pressure = after;
    }
    return peak;
}
