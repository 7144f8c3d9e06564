/* The loops over a telemetry log's bytes and frames, compiled.

   What they compute is defined by the array code beside them (tlog_crc.py, tlog_walk.py, tlog_frames.py,
   tlog_messages.py), which does the same where there was no compiler. The bytes are other people's: every
   position is compared with the buffer's length before anything is read there, whoever worked it out.

   Arguments are buffers, contiguous, of the item sizes named at each function; nothing of numpy is needed.

   CRC-16/MCRF4XX: reflected 0x1021, start 0xFFFF. A body's register is that of the body alone plus (exclusive
   or) the start value's share, which depends on the length only. Zeros before the body change nothing, so a
   body is cut into blocks of 16 bytes from its end. Where the processor multiplies without carry, blocks are
   folded by two products each (V. Gopal et al., "Fast CRC Computation for Generic Polynomials Using PCLMULQDQ
   Instruction", 2009) and Barrett's reduction ends it; elsewhere sixteen tables take a block at once. */

#define PY_SSIZE_T_CLEAN
#include <Python.h>
#include <stdint.h>
#include <string.h>

#if UINTPTR_MAX != UINT64_MAX
#error "places in a file are 64 bits wide here; the array code serves other machines"
#endif

#if defined(__x86_64__) && (defined(__GNUC__) || defined(__clang__))
#define CARRYLESS 1
#include <immintrin.h>
#endif

enum {
    STAMP = 8,         /* bytes of the time stamp before each packet */
    HEAD = STAMP + 10, /* the longest header, stamp included */
    BLOCK = 16,
    LONGEST_BODY = 9 + 255,
    NO_EXTRA = -1,
    N_KNOWN = 65536, /* entries of the table of extra bytes */
    AHEAD = 2048,    /* bytes from the frame at hand to what the memory is asked for meanwhile: halves the time */
};

enum { WRONG, RIGHT, UNKNOWN }; /* a frame's checksum; UNKNOWN: no extra byte for its message */

static uint16_t table[BLOCK][256];            /* [k]: a byte's share after k more bytes */
static uint16_t start_share[LONGEST_BODY + 1]; /* the start value's share by body length */
static uint8_t index_by_high[256];            /* byte whose entry in table[0] has this high byte */

static inline unsigned after_byte(unsigned crc, uint8_t byte)
{
    return (crc >> 8) ^ table[0][(crc ^ byte) & 0xFF];
}

static void make_tables(void)
{
    for (unsigned byte = 0; byte < 256; byte++) {
        unsigned value = byte;
        for (int bit = 0; bit < 8; bit++)
            value = (value & 1) ? (value >> 1) ^ 0x8408 : value >> 1;
        table[0][byte] = (uint16_t)value;
        index_by_high[value >> 8] = (uint8_t)byte;
    }
    for (int k = 1; k < BLOCK; k++)
        for (unsigned byte = 0; byte < 256; byte++)
            table[k][byte] = (uint16_t)after_byte(table[k - 1][byte], 0);
    start_share[0] = 0xFFFF;
    for (int length = 1; length <= LONGEST_BODY; length++)
        start_share[length] = (uint16_t)after_byte(start_share[length - 1], 0);
}

/* Register after the bytes; any length, nothing outside them is read. */
static unsigned by_tables(const uint8_t *at, int64_t length)
{
    unsigned crc = 0xFFFF;
    for (; length >= BLOCK; length -= BLOCK, at += BLOCK) {
        unsigned next = table[15][at[0] ^ (crc & 0xFF)] ^ table[14][at[1] ^ (crc >> 8)];
        for (int k = 2; k < BLOCK; k++)
            next ^= table[15 - k][at[k]];
        crc = next;
    }
    while (length-- > 0)
        crc = after_byte(crc, *at++);
    return crc;
}

#ifdef CARRYLESS
static int has_carryless;

/* The same for 1 to LONGEST_BODY bytes that have 15 readable ones before them.
   The constants are x^191, x^127, x^79 modulo P, and x^80 divided by P without its first term, their bits turned
   round as the register's are. Such a product is one place off, hence powers one less than expected. */
__attribute__((target("pclmul,sse4.1"))) static unsigned by_products(const uint8_t *at, int64_t length)
{
    static const uint8_t mask[2 * BLOCK] = {[BLOCK] = 255, 255, 255, 255, 255, 255, 255, 255,
                                            255, 255, 255, 255, 255, 255, 255, 255};
    const __m128i fold = _mm_set_epi64x(0x7EEA000000000000, (int64_t)0xA95D000000000000);
    const __m128i narrow = _mm_set_epi64x((int64_t)0xC2CD82058E2C0C88, (int64_t)0x81BF000000000000);
    const uint8_t *end = at + length;
    int64_t first = ((length - 1) & (BLOCK - 1)) + 1; /* bytes of the first block, the others are masked */
    at += first;
    __m128i x = _mm_and_si128(_mm_loadu_si128((const __m128i *)(at - BLOCK)),
                              _mm_loadu_si128((const __m128i *)(mask + first)));
    for (; at < end; at += BLOCK) {
        __m128i early = _mm_clmulepi64_si128(x, fold, 0x00), late = _mm_clmulepi64_si128(x, fold, 0x11);
        x = _mm_xor_si128(_mm_loadu_si128((const __m128i *)at), _mm_xor_si128(early, late));
    }
    /* Times x^16 and down to 80 bits: 64 that are still to be divided, then 16 of the remainder. */
    __m128i late = _mm_slli_si128(_mm_srli_si128(x, 8), 6);
    __m128i left = _mm_xor_si128(_mm_clmulepi64_si128(x, narrow, 0x00), late);
    unsigned rest = (unsigned)_mm_extract_epi16(left, 7);
    __m128i divided = _mm_srli_si128(left, 6);
    uint64_t product = (uint64_t)_mm_cvtsi128_si64(_mm_clmulepi64_si128(divided, narrow, 0x10));
    unsigned quotient = (unsigned)(((product << 1) ^ (uint64_t)_mm_cvtsi128_si64(divided)) >> 48);
    return rest ^ quotient ^ (quotient >> 5) ^ (quotient >> 12) ^ start_share[length];
}
#endif

/* Register after the bytes from `first` up to `end`, which lie inside the data. */
static inline unsigned body_register(const uint8_t *data, int64_t first, int64_t end)
{
#ifdef CARRYLESS
    if (has_carryless && first >= BLOCK - 1 && end > first && end - first <= LONGEST_BODY)
        return by_products(data + first, end - first);
#endif
    return by_tables(data + first, end - first);
}

static inline unsigned received(const uint8_t *data, int64_t at)
{
    return data[at] | (unsigned)data[at + 1] << 8;
}

/* Only a hint: the address is never read, so it may lie outside. */
static inline void ask_for(const uint8_t *data, int64_t at)
{
#if defined(__GNUC__) || defined(__clang__)
    __builtin_prefetch((const void *)((uintptr_t)data + (uintptr_t)at));
#endif
}

static inline void ask_ahead(const uint8_t *data, int64_t at)
{
    ask_for(data, (int64_t)((uint64_t)at + AHEAD));
}

/* Some dozens of bytes; a memcpy of unknown size becomes a string instruction that waits for the memory. */
static inline void copy(uint8_t *to, const uint8_t *from, int64_t n)
{
    int64_t k = 0;
    for (; k + BLOCK <= n; k += BLOCK)
        memcpy(to + k, from + k, BLOCK);
    for (; k + 4 <= n; k += 4)
        memcpy(to + k, from + k, 4);
    for (; k < n; k++)
        to[k] = from[k];
}

/* Bytes of the record at a position, stamp included, or -1 where no packet starts. */
static inline int64_t record_size(const uint8_t *data, int64_t at)
{
    const uint8_t *packet = data + at + STAMP;
    if (packet[0] == 0xFE)
        return STAMP + 8 + packet[1];
    /* Bit 1: signed, 13 bytes more. The protocol says to discard packets with any other bit. */
    if (packet[0] == 0xFD && packet[2] <= 1)
        return STAMP + 12 + packet[1] + 13 * packet[2];
    return -1;
}

/* ---- arguments ---- */

typedef struct {
    int item; /* bytes */
    int writable;
} Kind;

static const Kind BYTES = {1, 0}, PLACES = {8, 0}, OUT1 = {1, 1}, OUT2 = {2, 1}, OUT4 = {4, 1}, OUT8 = {8, 1};

static void release(Py_buffer *views, int n)
{
    while (n-- > 0)
        PyBuffer_Release(&views[n]);
}

/* Take the buffers of all arguments; those from `first_column` on must have equally many items. */
static int acquire(PyObject *const *args, Py_ssize_t n_args, int n, const Kind *kinds, int first_column,
                   Py_buffer *views)
{
    if (n_args < n) {
        PyErr_Format(PyExc_TypeError, "%d arguments expected", n);
        return -1;
    }
    for (int k = 0; k < n; k++) {
        if (PyObject_GetBuffer(args[k], &views[k], PyBUF_ND | (kinds[k].writable ? PyBUF_WRITABLE : 0)) < 0) {
            release(views, k);
            return -1;
        }
        if (views[k].itemsize != kinds[k].item ||
            (k > first_column && views[k].len / kinds[k].item != views[first_column].len / kinds[first_column].item)) {
            PyErr_Format(PyExc_ValueError, "argument %d: another item size or number of items", k + 1);
            release(views, k + 1);
            return -1;
        }
    }
    return 0;
}

static PyObject *answer(Py_buffer *views, int n, int outside)
{
    release(views, n);
    if (outside) {
        PyErr_SetString(PyExc_IndexError, "a frame lies outside the data");
        return NULL;
    }
    Py_RETURN_NONE;
}

static inline int holds_frame(int64_t size, int64_t first, int64_t end)
{
    return first >= 0 && end >= first && end <= size - 2;
}

/* ---- functions ---- */

static PyObject *crc_matches(PyObject *Py_UNUSED(module), PyObject *const *args, Py_ssize_t n_args)
{
    const Kind kinds[] = {BYTES, PLACES, PLACES, BYTES, OUT1};
    Py_buffer v[5];
    int outside = 0;
    if (acquire(args, n_args, 5, kinds, 1, v) < 0)
        return NULL;
    const uint8_t *data = v[0].buf, *extra = v[3].buf;
    const int64_t *first = v[1].buf, *end = v[2].buf;
    uint8_t *good = v[4].buf;
    Py_ssize_t n = v[1].len / 8;
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t i = 0; i < n; i++) {
        int64_t a = first[i], e = end[i];
        if (!holds_frame(v[0].len, a, e)) {
            outside = 1;
            break;
        }
        ask_ahead(data, a);
        good[i] = after_byte(body_register(data, a, e), extra[i]) == received(data, e);
    }
    Py_END_ALLOW_THREADS
    return answer(v, 5, outside);
}

static PyObject *implied_extra(PyObject *Py_UNUSED(module), PyObject *const *args, Py_ssize_t n_args)
{
    const Kind kinds[] = {BYTES, PLACES, PLACES, OUT2};
    Py_buffer v[4];
    int outside = 0;
    if (acquire(args, n_args, 4, kinds, 1, v) < 0)
        return NULL;
    const uint8_t *data = v[0].buf;
    const int64_t *first = v[1].buf, *end = v[2].buf;
    int16_t *implied = v[3].buf;
    Py_ssize_t n = v[1].len / 8;
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t i = 0; i < n; i++) {
        int64_t a = first[i], e = end[i];
        if (!holds_frame(v[0].len, a, e)) {
            outside = 1;
            break;
        }
        ask_ahead(data, a);
        unsigned crc = body_register(data, a, e), entry = received(data, e) ^ (crc >> 8);
        uint8_t index = index_by_high[entry >> 8];
        implied[i] = table[0][index] == entry ? (int16_t)(index ^ (crc & 0xFF)) : NO_EXTRA;
    }
    Py_END_ALLOW_THREADS
    return answer(v, 4, outside);
}

static PyObject *walk(PyObject *Py_UNUSED(module), PyObject *const *args, Py_ssize_t n_args)
{
    const Kind kinds[] = {BYTES, OUT8, PLACES, PLACES};
    Py_buffer v[4];
    int full = 0;
    if (n_args != 6)
        return PyErr_Format(PyExc_TypeError, "6 arguments expected");
    int64_t size = PyLong_AsLongLong(args[4]), most = PyLong_AsLongLong(args[5]);
    if (PyErr_Occurred() || acquire(args, n_args, 4, kinds, 2, v) < 0)
        return NULL;
    const uint8_t *data = v[0].buf;
    int64_t *met = v[1].buf, n_met = 0, room = v[1].len / 8;
    const int64_t *from = v[2].buf, *limit = v[3].buf;
    Py_ssize_t n = v[2].len / 8;
    if (size > v[0].len - HEAD)
        size = v[0].len - HEAD;
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t i = 0; i < n && !full; i++) {
        int64_t at = from[i], until = limit[i] < size ? limit[i] : size;
        for (int64_t k = 0; k < most && at >= 0 && at < until; k++) {
            ask_ahead(data, at);
            int64_t step = record_size(data, at);
            if (step < 0 || at + step > size)
                break;
            if (n_met == room) {
                full = 1;
                break;
            }
            met[n_met++] = at;
            at += step;
        }
    }
    Py_END_ALLOW_THREADS
    release(v, 4);
    if (full)
        return PyErr_Format(PyExc_IndexError, "more records than room for them");
    return PyLong_FromLongLong(n_met);
}

static PyObject *check(PyObject *Py_UNUSED(module), PyObject *const *args, Py_ssize_t n_args)
{
    const Kind kinds[] = {BYTES, OUT2, PLACES, OUT8, OUT8, OUT8, OUT1, OUT4, OUT1, OUT1, OUT1};
    Py_buffer v[11];
    int outside = 0;
    if (acquire(args, n_args, 11, kinds, 2, v) < 0)
        return NULL;
    if (v[1].len / 2 != N_KNOWN) {
        release(v, 11);
        return PyErr_Format(PyExc_ValueError, "the table of extra bytes has %d entries", N_KNOWN);
    }
    const uint8_t *data = v[0].buf;
    const int16_t *extras = v[1].buf;
    const int64_t *start = v[2].buf;
    uint64_t *stamp = v[3].buf;
    int64_t *end = v[4].buf, *payload = v[5].buf;
    uint8_t *length = v[6].buf, *system = v[8].buf, *component = v[9].buf, *state = v[10].buf;
    int32_t *message = v[7].buf;
    Py_ssize_t n = v[2].len / 8;
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t i = 0; i < n; i++) {
        int64_t at = start[i];
        if (at < 0 || at > v[0].len - HEAD) {
            outside = 1;
            break;
        }
        ask_ahead(data, at);
        const uint8_t *p = data + at + STAMP;
        uint64_t when = 0;
        for (int k = 0; k < STAMP; k++)
            when = when << 8 | data[at + k];
        int v2 = p[0] == 0xFD;
        const uint8_t *from = p + (v2 ? 5 : 3); /* system, component, message number */
        int32_t number = from[2] | (v2 ? from[3] << 8 | (int32_t)from[4] << 16 : 0);
        int64_t body = at + STAMP + (v2 ? 10 : 6), crc_at = body + p[1];
        if (!holds_frame(v[0].len, at + STAMP + 1, crc_at)) {
            outside = 1;
            break;
        }
        stamp[i] = when;
        end[i] = crc_at + 2 + (v2 && p[2] ? 13 : 0);
        payload[i] = body;
        length[i] = p[1];
        message[i] = number;
        system[i] = from[0];
        component[i] = from[1];
        int extra = number < N_KNOWN ? extras[number] : NO_EXTRA;
        if (extra == NO_EXTRA)
            state[i] = UNKNOWN;
        else {
            unsigned crc = body_register(data, at + STAMP + 1, crc_at);
            state[i] = after_byte(crc, (uint8_t)extra) == received(data, crc_at) ? RIGHT : WRONG;
        }
    }
    Py_END_ALLOW_THREADS
    return answer(v, 11, outside);
}

static PyObject *fetch(PyObject *Py_UNUSED(module), PyObject *const *args, Py_ssize_t n_args)
{
    const Kind kinds[] = {BYTES, OUT1, PLACES, BYTES};
    enum { SOON = 16 }; /* payloads of one message lie far apart: ask for those to come */
    Py_buffer v[4];
    int outside = 0;
    if (acquire(args, n_args, 4, kinds, 2, v) < 0)
        return NULL;
    const uint8_t *data = v[0].buf, *length = v[3].buf;
    uint8_t *row = v[1].buf;
    const int64_t *payload = v[2].buf;
    Py_ssize_t n = v[2].len / 8, width = n ? v[1].len / n : 0;
    if (n * width != v[1].len) {
        release(v, 4);
        return PyErr_Format(PyExc_ValueError, "the rows are not equally long");
    }
    Py_BEGIN_ALLOW_THREADS
    for (Py_ssize_t i = 0; i < n; i++, row += width) {
        int64_t from = payload[i], sent = length[i] < width ? length[i] : width;
        if (from < 0 || from > v[0].len - sent) {
            outside = 1;
            break;
        }
        if (i + SOON < n)
            ask_for(data, payload[i + SOON]);
        copy(row, data + from, sent);
        if (sent < width)
            memset(row + sent, 0, (size_t)(width - sent));
    }
    Py_END_ALLOW_THREADS
    return answer(v, 4, outside);
}

#define FAST(name) {#name, (PyCFunction)(void (*)(void))name, METH_FASTCALL, NULL}

static PyMethodDef methods[] = {FAST(crc_matches), FAST(implied_extra), FAST(walk),
                                FAST(check), FAST(fetch), {NULL, NULL, 0, NULL}};

static int prepare(PyObject *module)
{
    make_tables();
#ifdef CARRYLESS
    __builtin_cpu_init();
    has_carryless = __builtin_cpu_supports("pclmul") && __builtin_cpu_supports("sse4.1");
#endif
    return PyModule_AddIntMacro(module, WRONG) || PyModule_AddIntMacro(module, RIGHT) ||
                   PyModule_AddIntMacro(module, UNKNOWN)
               ? -1
               : 0;
}

static PyModuleDef_Slot slots[] = {{Py_mod_exec, prepare}, {0, NULL}};

static struct PyModuleDef definition = {
    PyModuleDef_HEAD_INIT, .m_name = "_tlog_kernel", .m_methods = methods, .m_slots = slots};

PyMODINIT_FUNC PyInit__tlog_kernel(void)
{
    return PyModuleDef_Init(&definition);
}
