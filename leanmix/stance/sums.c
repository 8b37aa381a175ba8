/* Runs a straight-line sum over arrays, a block of elements at a time, so that what lies between stays in the
   processor's near memory. What is summed is decided in Python (formula.py); nothing here knows a machine.

   A slot holds a block: constants, then rows of both tables, then rows of the input, then registers. */

#include <math.h>
#include <stdint.h>
#include <stdlib.h>

#if defined(_WIN32)
#define API __declspec(dllexport)
#else
#define API
#endif

#if defined(__GNUC__) && !defined(__clang__)
/* nobody asks for errno or traps, and sqrt then goes many at once; values stay what they are */
#pragma GCC optimize("O3", "no-math-errno", "no-trapping-math")
#if defined(__x86_64__) && defined(__gnu_linux__)
/* the same operations in the same order, more of them at once where the processor can */
#define WIDER __attribute__((target_clones("avx512f", "avx2", "default")))
#endif
#endif
#ifndef WIDER
#define WIDER
#endif
#if defined(__GNUC__)
#define INLINED static inline __attribute__((always_inline))
#define ALONE __restrict__
#elif defined(_MSC_VER)
#define INLINED static __forceinline
#define ALONE __restrict
#else
#define INLINED static inline
#define ALONE
#endif

#define INTERFACE 1
#define BLOCK 128
#define WORDS 5

enum op {
    ADD, SUB, MUL, DIV, MIN, MAX, LESS, LESS_EQUAL, NOT_EQUAL, AND, OR, COPY_SIGN, /* of two */
    NEGATE, ABS, SQRT, SIN, COS, EXP, ASIN, NOT, /* of one */
    CHOOSE, /* of three */
    STORE /* into a row of the output */
};

API int lms_interface(void)
{
    return INTERFACE;
}

#if defined(_WIN32)
/* The build names this symbol for export; nothing calls it. */
API void *PyInit__sums(void)
{
    return NULL;
}
#endif

#define EACH(expression)                \
    for (long i = 0; i < m; i++) {      \
        d[i] = (expression);            \
    }                                   \
    break

/* No register is written by what reads it (formula.py sees to that), so nothing needs to be loaded twice. */
INLINED void block_of(const int32_t *code, long count, double **slot, double *out, long n, long m)
{
    for (const int32_t *end = code + count * WORDS; code < end; code += WORDS) {
        const double *ALONE a = slot[code[2]], *ALONE b = slot[code[3]], *ALONE c = slot[code[4]];
        double *ALONE d = code[0] == STORE ? out + code[1] * n : slot[code[1]];
        switch ((enum op)code[0]) {
        case ADD: EACH(a[i] + b[i]);
        case SUB: EACH(a[i] - b[i]);
        case MUL: EACH(a[i] * b[i]);
        case DIV: EACH(a[i] / b[i]);
        /* a NaN on either side stays one */
        case MIN: EACH(a[i] < b[i] || a[i] != a[i] ? a[i] : b[i]);
        case MAX: EACH(a[i] > b[i] || a[i] != a[i] ? a[i] : b[i]);
        case LESS: EACH(a[i] < b[i] ? 1.0 : 0.0);
        case LESS_EQUAL: EACH(a[i] <= b[i] ? 1.0 : 0.0);
        case NOT_EQUAL: EACH(a[i] != b[i] ? 1.0 : 0.0);
        case AND: EACH(a[i] * b[i]);
        case OR: EACH(a[i] + b[i] > 0.0 ? 1.0 : 0.0);
        case COPY_SIGN: EACH(copysign(a[i], b[i]));
        case NEGATE: EACH(-a[i]);
        case ABS: EACH(fabs(a[i]));
        case SQRT: EACH(sqrt(a[i]));
        case SIN: EACH(sin(a[i]));
        case COS: EACH(cos(a[i]));
        case EXP: EACH(exp(a[i]));
        case ASIN: EACH(asin(a[i]));
        case NOT: EACH(1.0 - a[i]);
        case CHOOSE: EACH(a[i] != 0.0 ? b[i] : c[i]);
        case STORE: EACH(a[i]);
        }
    }
}

WIDER static void block(const int32_t *code, long count, double **slot, double *out, long n, long m)
{
    /* a full block has a length known beforehand */
    if (m == BLOCK) {
        block_of(code, count, slot, out, n, BLOCK);
    } else {
        block_of(code, count, slot, out, n, m);
    }
}

/* Each table has 1 column or n; 0 when there is no memory for it. */
API int lms_run(const int32_t *code, long count, const double *constants, long constant_count, const double *table_1,
                long rows_1, long columns_1, const double *table_2, long rows_2, long columns_2, const double *input,
                long input_rows, long registers, double *out, long n)
{
    const double *tables[2] = {table_1, table_2};
    const long rows[2] = {rows_1, rows_2}, columns[2] = {columns_1, columns_2};
    const long width = n < BLOCK ? n : BLOCK;
    const long input_at = constant_count + rows_1 + rows_2, register_at = input_at + input_rows;
    double **slot = malloc((size_t)(register_at + registers + 1) * sizeof *slot);
    double *work = malloc((size_t)((input_at + registers) * width + 1) * sizeof *work), *next = work;
    if (slot == NULL || work == NULL) {
        free(work);
        free(slot);
        return 0;
    }
    for (long k = 0; k < input_at; k++, next += width) {
        slot[k] = next;
    }
    for (long k = 0; k < registers; k++, next += width) {
        slot[register_at + k] = next;
    }
    for (long k = 0; k < constant_count; k++) {
        for (long i = 0; i < width; i++) {
            slot[k][i] = constants[k];
        }
    }
    for (long t = 0, at = constant_count; t < 2; at += rows[t++]) {
        for (long k = 0; columns[t] < n && k < rows[t]; k++) {
            for (long i = 0; i < width; i++) {
                slot[at + k][i] = tables[t][k];
            }
        }
    }
    for (long start = 0; start < n; start += width) {
        for (long t = 0, at = constant_count; t < 2; at += rows[t++]) {
            for (long k = 0; columns[t] == n && k < rows[t]; k++) {
                slot[at + k] = (double *)tables[t] + k * n + start;
            }
        }
        for (long k = 0; k < input_rows; k++) {
            slot[input_at + k] = (double *)input + k * n + start;
        }
        block(code, count, slot, out + start, n, n - start < width ? n - start : width);
    }
    free(work);
    free(slot);
    return 1;
}
