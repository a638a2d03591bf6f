// The card reader's part of fifthwheel._core: arrays in and out, two threads, a quicker CRC where the host
// has one.
#include <nanobind/nanobind.h>
#include <nanobind/ndarray.h>
#include <nanobind/stl/vector.h>

#include <algorithm>
#include <cstring>
#include <fifthwheel/block_read.hpp>
#include <functional>
#include <stdexcept>
#include <thread>
#include <vector>

#if defined(__x86_64__) && defined(__GNUC__)
#include <immintrin.h>
#endif

namespace nb = nanobind;
namespace fw = fifthwheel;

namespace {

template <typename T>
using Array = nb::ndarray<T, nb::c_contig, nb::device::cpu>;
using Image = nb::ndarray<const uint8_t, nb::ndim<1>, nb::c_contig, nb::device::cpu>;

#if defined(__x86_64__) && defined(__GNUC__)
// CRC-32 by carry-less multiplication: 64 bytes a step are folded by x^(4*128+32) and x^(4*128-32) modulo the
// polynomial, then 16 by x^(128+32) and x^(128-32); the table takes what is left (V. Gopal et al., "Fast CRC
// Computation for Generic Polynomials Using PCLMULQDQ Instruction", 2009; the constants are the paper's for
// the reflected polynomial).
__attribute__((target("pclmul,sse4.1"))) uint32_t folded_crc32(const uint8_t* p, size_t size) {
    const __m128i by_four = _mm_set_epi64x(0x01c6e41596, 0x0154442bd4);
    const __m128i by_one = _mm_set_epi64x(0x00ccaa009e, 0x01751997d0);
    const auto load = [](const uint8_t* at) { return _mm_loadu_si128(reinterpret_cast<const __m128i*>(at)); };
    __m128i x[4];
    for (size_t k = 0; k < 4; ++k) x[k] = load(p + 16 * k);
    x[0] = _mm_xor_si128(x[0], _mm_cvtsi32_si128(-1));  // the register starts inverted
    p += 64;
    size -= 64;
    for (; size >= 64; size -= 64, p += 64) {
        for (size_t k = 0; k < 4; ++k) {
            const __m128i low = _mm_clmulepi64_si128(x[k], by_four, 0x00);
            const __m128i high = _mm_clmulepi64_si128(x[k], by_four, 0x11);
            x[k] = _mm_xor_si128(_mm_xor_si128(low, high), load(p + 16 * k));
        }
    }
    __m128i one = x[0];
    for (size_t k = 1; k < 4; ++k) {
        const __m128i low = _mm_clmulepi64_si128(one, by_one, 0x00);
        const __m128i high = _mm_clmulepi64_si128(one, by_one, 0x11);
        one = _mm_xor_si128(_mm_xor_si128(low, high), x[k]);
    }
    uint8_t left[16];
    _mm_storeu_si128(reinterpret_cast<__m128i*>(left), one);
    // The table's own inversions are undone at the seam: the register after the folding is that of `left`
    // from zero.
    const uint32_t seam = fw::crc32(left, sizeof left, 0xFFFFFFFFU);
    return fw::crc32(p, size, seam);
}

bool can_fold() { return __builtin_cpu_supports("pclmul") && __builtin_cpu_supports("sse4.1"); }
#else
uint32_t folded_crc32(const uint8_t* p, size_t size) { return fw::crc32(p, size); }
bool can_fold() { return false; }
#endif

#if defined(__x86_64__) && defined(__GNUC__)
// Write past the caches what is larger than they are: lines are not read before they are written. Register:
// what moves at once.
template <typename Register>
struct StreamStore {
    void operator()(void* to, const void* from, size_t bytes) const {
        auto* out = static_cast<uint8_t*>(to);
        const auto* in = static_cast<const uint8_t*>(from);
        const size_t head = std::min<size_t>(-reinterpret_cast<uintptr_t>(out) % 64, bytes);
        std::memcpy(out, in, head);
        size_t at = head;
        for (; at + 64 <= bytes; at += 64) {
            for (size_t k = 0; k < 64; k += Register::bytes) Register::stream(out + at + k, in + at + k);
        }
        std::memcpy(out + at, in + at, bytes - at);
    }
};

struct Register16 {
    static constexpr size_t bytes = sizeof(__m128i);
    static void stream(void* to, const void* from) {
        _mm_stream_si128(static_cast<__m128i*>(to), _mm_loadu_si128(static_cast<const __m128i*>(from)));
    }
};

using NarrowStore = StreamStore<Register16>;
#else
using NarrowStore = fw::PlainStore;
#endif

void copy_streamed(const uint8_t* const* records, size_t count, const fw::RecordPlan& plan, size_t row) {
    for (size_t c = 0; c < plan.column_count; ++c)
        fw::copy_any_column(records, count, plan.columns[c], row, NarrowStore{});
}

#if defined(__x86_64__) && defined(__GNUC__)
#pragma GCC push_options
#pragma GCC target("avx2")
struct Register32 {
    static constexpr size_t bytes = sizeof(__m256i);
    static void stream(void* to, const void* from) {
        _mm256_stream_si256(static_cast<__m256i*>(to), _mm256_loadu_si256(static_cast<const __m256i*>(from)));
    }
};

using WideStore = StreamStore<Register32>;

constexpr size_t turned = 4;  // fields of 32 bits that are gathered together

using Tile = uint32_t[turned][fw::record_batch];

// Gather four fields that lie one behind the other, eight records at a time: each row of the registers'
// halves is a record, turned to be a field.
void turn_four(const uint8_t* const* records, size_t count, size_t place, Tile& tile) {
    const auto load = [&](size_t i) {
        return _mm_loadu_si128(reinterpret_cast<const __m128i*>(records[i] + place));
    };
    const auto put = [&](size_t field, size_t i, __m256i x) {
        _mm256_storeu_si256(reinterpret_cast<__m256i*>(tile[field] + i), x);
    };
    size_t i = 0;
    for (; i + 8 <= count; i += 8) {
        __m256i a[4];
        for (size_t k = 0; k < 4; ++k)
            a[k] = _mm256_inserti128_si256(_mm256_castsi128_si256(load(i + k)), load(i + k + 4), 1);
        const __m256i low01 = _mm256_unpacklo_epi32(a[0], a[1]);
        const __m256i high01 = _mm256_unpackhi_epi32(a[0], a[1]);
        const __m256i low23 = _mm256_unpacklo_epi32(a[2], a[3]);
        const __m256i high23 = _mm256_unpackhi_epi32(a[2], a[3]);
        put(0, i, _mm256_unpacklo_epi64(low01, low23));
        put(1, i, _mm256_unpackhi_epi64(low01, low23));
        put(2, i, _mm256_unpacklo_epi64(high01, high23));
        put(3, i, _mm256_unpackhi_epi64(high01, high23));
    }
    for (; i < count; ++i) {
        for (size_t f = 0; f < turned; ++f) tile[f][i] = fw::load_field<uint32_t>(records[i] + place + 4 * f);
    }
}

// Whether the columns from `first` on are `turned` fields of 32 bits, one behind the other in the record.
bool can_turn(const fw::RecordPlan& plan, size_t first) {
    if (first + turned > plan.column_count) return false;
    const fw::ColumnPlan* column = plan.columns + first;
    for (size_t f = 0; f < turned; ++f) {
        if (fw::field_bytes(column[f].type) != 4 || column[f].place != column->place + 4 * f) return false;
    }
    return true;
}

// Asks for the bytes behind a batch, some with each of its columns: the batch that follows most often lies
// there.
class Ahead {
  public:
    Ahead(const uint8_t* first, const uint8_t* last, const fw::RecordPlan& plan)
        : at_(reinterpret_cast<uintptr_t>(last) + plan.bytes) {
        const uintptr_t span = at_ - reinterpret_cast<uintptr_t>(first);
        until_ = at_ + std::min<uintptr_t>(span, 2 * fw::record_batch_bytes);
        each_ = span / 64 / (plan.column_count / turned + 1) + 1;
    }
    void ask() {
        for (size_t k = 0; k < each_ && at_ < until_; ++k, at_ += 64)
            _mm_prefetch(reinterpret_cast<const char*>(at_), _MM_HINT_T1);
    }

  private:
    uintptr_t at_;
    uintptr_t until_;
    size_t each_;
};

__attribute__((flatten)) void copy_wide(const uint8_t* const* records, size_t count,
                                        const fw::RecordPlan& plan, size_t row) {
    alignas(64) Tile tile;
    Ahead ahead(records[0], records[count - 1], plan);
    for (size_t c = 0; c < plan.column_count;) {
        ahead.ask();
        if (!can_turn(plan, c)) {
            fw::copy_any_column(records, count, plan.columns[c++], row, WideStore{});
            continue;
        }
        turn_four(records, count, plan.columns[c].place, tile);
        for (size_t f = 0; f < turned; ++f, ++c) {
            fw::for_type(plan.columns[c].type, [&](auto of) {
                using Field = decltype(of);
                if constexpr (sizeof(Field) == sizeof tile[f][0])
                    fw::convert_column<Field>(tile[f], count, plan.columns[c], row, WideStore{});
            });
        }
    }
}
#pragma GCC pop_options
bool can_widen() { return __builtin_cpu_supports("avx2"); }
#else
constexpr auto copy_wide = copy_streamed;
bool can_widen() { return false; }
#endif

// How records become columns: by what the host has, past the caches where all of them are larger than those.
struct HostCopy {
    bool large = false;
    bool wide = can_widen();
    bool asks_ahead() const { return large && wide; }
    void operator()(const uint8_t* const* records, size_t count, const fw::RecordPlan& plan,
                    size_t row) const {
        if (!large) return fw::PlainCopy{}(records, count, plan, row);
        if (wide) return copy_wide(records, count, plan, row);
        copy_streamed(records, count, plan, row);
    }
};

struct HostCrc {
    bool fold = can_fold();
    uint32_t operator()(const uint8_t* data, size_t size) const {
        return fold && size >= 64 ? folded_crc32(data, size) : fw::crc32(data, size);
    }
};

// Run `part(k)` for k in 0..parts, each in a thread of its own but the last; what one throws is thrown here.
template <typename Part>
void side_by_side(size_t parts, const Part& part) {
    std::vector<std::exception_ptr> failures(parts);
    const auto guarded = [&](size_t k) {
        try {
            part(k);
        } catch (...) {
            failures[k] = std::current_exception();
        }
    };
    std::vector<std::thread> threads;
    for (size_t k = 0; k + 1 < parts; ++k) threads.emplace_back(guarded, k);
    guarded(parts - 1);
    for (auto& thread : threads) thread.join();
    for (const auto& failure : failures) {
        if (failure) std::rethrow_exception(failure);
    }
}

constexpr size_t streamed_bytes = size_t(1) << 24;  // of an image: its columns are as large as its records

size_t parts_for(size_t bytes) {
    if (bytes < (size_t(1) << 20)) return 1;
    return std::clamp<size_t>(std::thread::hardware_concurrency(), 1, 4);
}

#pragma pack(push, 1)
struct Found {
    uint64_t at;
    uint64_t recording;
    uint64_t layout;
    uint64_t time;
    uint32_t number;
    uint32_t lost;
    uint32_t bytes;
    uint16_t boot;
    uint16_t used;
    uint16_t count;
    uint8_t reset_cause;
    uint8_t kind;
    uint32_t place;  // among the found
};
#pragma pack(pop)
static_assert(sizeof(Found) == 56, "core.BLOCK_FOUND");

fw::RecordKinds kinds_of(const Array<const int16_t>& kind, const Array<const uint16_t>& bytes, size_t count) {
    if (kind.size() != 256 || bytes.size() != 256) throw std::length_error("256 ids");
    fw::RecordKinds kinds{};
    for (size_t id = 0; id < 256; ++id) {
        kinds.kind[id] = kind.data()[id];
        kinds.bytes[id] = bytes.data()[id];
        if (kinds.kind[id] >= int64_t(count)) throw std::length_error("kinds");
        if (kinds.kind[id] >= 0 && kinds.bytes[id] < 5)
            throw std::length_error("a record with its id and time");
    }
    return kinds;
}

// What one thread finds. counts: for each block `width` numbers of records by kind, then whether some could
// not be told; zeros for a block of another layout than the one that is counted by.
struct Part {
    std::vector<Found> found;
    std::vector<uint32_t> counts;
    size_t broken = 0;
};

struct CountedLayout {
    uint64_t hash;
    fw::RecordKinds kinds;
    size_t width;
};

void find_blocks(const uint8_t* data, size_t size, size_t from, size_t until, const CountedLayout& layout,
                 Part& out) {
    fw::BlockHeader h;
    const HostCrc crc;
    const size_t row = layout.width + 1;
    for (size_t at = from; fw::next_block(data, size, until, at, h, out.broken, crc); at += h.bytes) {
        out.found.push_back({at, h.recording, h.layout, h.time, h.number, h.lost, uint32_t(h.bytes), h.boot,
                             h.used, h.count, h.reset_cause, uint8_t(h.kind), 0});
        if (layout.width == 0) continue;
        out.counts.resize(out.counts.size() + row, 0U);
        if (h.layout != layout.hash || h.kind != fw::BlockKind::records) continue;
        uint32_t* counts = out.counts.data() + (out.counts.size() - row);
        if (fw::count_records(data + at, h, layout.kinds, counts) != fw::Status::ok) counts[layout.width] = 1;
    }
}

// The records of blocks of the layout `hash` are counted while their bytes are in the cache; width 0: none
// are.
nb::tuple card_index(Image image, uint64_t hash, Array<const int16_t> kind, Array<const uint16_t> bytes,
                     size_t width) {
    const size_t size = image.size();
    const uint8_t* data = image.data();
    const CountedLayout layout{hash, kinds_of(kind, bytes, width), width};
    const size_t parts = parts_for(size);
    std::vector<Part> part(parts);
    Part all;
    {
        nb::gil_scoped_release release;
        const size_t step = (size / parts + 65535) / 65536 * 65536;
        side_by_side(parts, [&](size_t k) {
            const size_t from = std::min(size, step * k);
            const size_t until = k + 1 == parts ? size : std::min(size, step * (k + 1));
            part[k].found.reserve((until - from) / 4096 + 16);
            part[k].counts.reserve(width == 0 ? 0 : ((until - from) / 4096 + 16) * (width + 1));
            find_blocks(data, size, from, until, layout, part[k]);
        });
        const size_t row = width == 0 ? 0 : width + 1;
        size_t end = 0;
        for (const Part& one : part) {
            all.broken += one.broken;
            for (size_t b = 0; b < one.found.size(); ++b) {
                if (one.found[b].at < end) continue;  // inside a block that began in the part before
                all.found.push_back(one.found[b]);
                all.found.back().place = uint32_t(all.found.size() - 1);
                const uint32_t* counts = one.counts.data() + b * row;
                all.counts.insert(all.counts.end(), counts, counts + row);
                end = one.found[b].at + one.found[b].bytes;
            }
        }
    }
    const auto as_bytes = [](const void* from, size_t count) {
        return nb::bytes(static_cast<const char*>(from), count);
    };
    return nb::make_tuple(as_bytes(all.found.data(), all.found.size() * sizeof(Found)), all.broken,
                          as_bytes(all.counts.data(), all.counts.size() * sizeof(uint32_t)));
}

// The header of a block that was found before; raises when it is not there.
fw::BlockHeader header_at(const Image& image, uint64_t at) {
    fw::BlockHeader h;
    if (at >= image.size() || !fw::read_block_header(image.data() + at, image.size() - at, h)) {
        throw std::length_error("no block there");
    }
    return h;
}

void fetch_ahead(const Image& image, uint64_t at, size_t bytes) {
    if (at < image.size()) fw::prefetch_block(image.data() + at, std::min<size_t>(bytes, image.size() - at));
}

void card_count(Image image, Array<const uint64_t> at, Array<const int16_t> kind, Array<const uint16_t> bytes,
                Array<uint32_t> counts, Array<uint8_t> unread) {
    const size_t blocks = at.size();
    if (blocks == 0) return;
    if (unread.size() != blocks || counts.size() % blocks != 0) throw std::length_error("output");
    const size_t width = counts.size() / blocks;
    const fw::RecordKinds kinds = kinds_of(kind, bytes, width);
    nb::gil_scoped_release release;
    const size_t parts = parts_for(image.size());
    side_by_side(parts, [&](size_t k) {
        for (size_t b = blocks * k / parts; b < blocks * (k + 1) / parts; ++b) {
            const fw::BlockHeader h = header_at(image, at.data()[b]);
            uint32_t* row = counts.data() + b * width;
            if (b + 1 < blocks) fetch_ahead(image, at.data()[b + 1], h.bytes);
            std::fill(row, row + width, 0U);
            const fw::Status status = fw::count_records(image.data() + at.data()[b], h, kinds, row);
            unread.data()[b] = status == fw::Status::ok ? 0 : 1;
        }
    });
}

// A column of Python: (type, as counts, place in the record, scale, offset, array), the array of the field's
// own type or float64.
fw::ColumnPlan column_of(const nb::tuple& told, size_t record_bytes, size_t rows) {
    fw::ColumnPlan column;
    const auto type = nb::cast<size_t>(told[0]);
    if (type >= fw::field_types) throw std::length_error("type");
    column.type = fw::FieldType(type);
    column.as_counts = nb::cast<bool>(told[1]);
    column.place = nb::cast<uint16_t>(told[2]);
    column.scale = nb::cast<double>(told[3]);
    column.offset = nb::cast<double>(told[4]);
    const auto array = nb::cast<nb::ndarray<nb::c_contig, nb::device::cpu>>(told[5]);
    const size_t width = column.as_counts ? fw::field_bytes(column.type) : sizeof(double);
    if (array.size() != rows || array.itemsize() != width) throw std::length_error("column");
    if (column.place + fw::field_bytes(column.type) > record_bytes) throw std::length_error("place");
    column.to = array.data();
    return column;
}

// plans: one tuple per kind: (bytes of the record without its id, int64 array of times, list of columns).
void card_decode(Image image, Array<const uint64_t> at, Array<const int16_t> kind,
                 Array<const uint16_t> bytes, Array<const uint32_t> counts, const nb::list& plans) {
    const size_t blocks = at.size();
    const size_t width = nb::len(plans);
    if (counts.size() != blocks * width) throw std::length_error("counts");
    const fw::RecordKinds kinds = kinds_of(kind, bytes, width);
    std::vector<size_t> rows(width, 0);
    for (size_t b = 0; b < blocks; ++b) {
        for (size_t k = 0; k < width; ++k) rows[k] += counts.data()[b * width + k];
    }
    std::vector<std::vector<fw::ColumnPlan>> columns(width);
    std::vector<fw::RecordPlan> records(width);
    for (size_t k = 0; k < width; ++k) {
        const auto told = nb::cast<nb::tuple>(plans[k]);
        records[k].bytes = nb::cast<uint16_t>(told[0]);
        const auto time = nb::cast<Array<int64_t>>(told[1]);
        if (time.size() != rows[k]) throw std::length_error("time");
        records[k].time = time.data();
        for (const auto& one : nb::cast<nb::list>(told[2])) {
            columns[k].push_back(column_of(nb::cast<nb::tuple>(one), records[k].bytes, rows[k]));
        }
        records[k].columns = columns[k].data();
        records[k].column_count = columns[k].size();
        for (size_t id = 0; id < 256; ++id) {
            if (size_t(kinds.kind[id]) == k && kinds.bytes[id] != records[k].bytes + 1)
                throw std::length_error("bytes");
        }
    }
    nb::gil_scoped_release release;
    const size_t parts = parts_for(image.size());
    const HostCopy copy{image.size() >= streamed_bytes};
    side_by_side(parts, [&](size_t part) {
        const size_t from = blocks * part / parts;
        const size_t until = blocks * (part + 1) / parts;
        std::vector<fw::BatchBy<HostCopy>> batches(width);
        std::vector<uint32_t> left(width);
        for (size_t k = 0; k < width; ++k) {
            size_t row = 0;
            for (size_t b = 0; b < from; ++b) row += counts.data()[b * width + k];
            batches[k].begin(records[k], row, copy);
        }
        for (size_t b = from; b < until; ++b) {
            const fw::BlockHeader h = header_at(image, at.data()[b]);
            const uint8_t* block = image.data() + at.data()[b];
            if (b + 1 < until && !copy.asks_ahead()) fetch_ahead(image, at.data()[b + 1], h.bytes);
            std::copy_n(counts.data() + b * width, width, left.begin());
            const bool same = fw::split_records(block, h, kinds, batches.data(), left.data());
            if (!same || std::any_of(left.begin(), left.end(), [](uint32_t n) { return n != 0; })) {
                throw std::length_error("the image changed while it was read");
            }
        }
        for (auto& batch : batches) batch.flush();
    });
}

uint32_t card_crc32(Image data) { return HostCrc{}(data.data(), data.size()); }

}  // namespace

void bind_block(nb::module_& m) {
    m.def("card_index", &card_index);
    m.def("card_count", &card_count);
    m.def("card_decode", &card_decode);
    m.def("card_crc32", &card_crc32);
    m.attr("card_folds") = can_fold();
}
