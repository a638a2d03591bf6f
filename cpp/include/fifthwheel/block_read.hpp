// Card image on the laptop: which blocks are whole, which records they hold, and the records as columns.
//
// Bytes in memory in, columns of the caller's out; nothing is allocated. A block counts only when its check
// holds, so a damaged block costs its own rows and no others. Fields are copied in batches of records that
// stay in the cache.
#pragma once

#include <math.h>
#include <stddef.h>
#include <stdint.h>

#include <fifthwheel/block.hpp>
#include <fifthwheel/bytes.hpp>
#include <fifthwheel/status.hpp>

namespace fifthwheel {

// The check of block.hpp, for `next_block` to be given a quicker one where the host has it.
struct TableCrc {
    uint32_t operator()(const uint8_t* data, size_t size) const { return crc32(data, size); }
};

// Find the next whole block that begins in [at, until) of an image of `size` bytes. True: `at` is where it
// begins, go on behind it. False: none. `broken` counts places where a header is but the check fails. Blocks
// need not lie at multiples of anything: sectors may be missing before them.
template <typename Crc = TableCrc>
bool next_block(const uint8_t* data, size_t size, size_t until, size_t& at, BlockHeader& h, size_t& broken,
                Crc crc = Crc{}) {
    while (at < until && at < size) {
        if (read_block_header(data + at, size - at, h)) {
            const size_t checked = h.bytes - block_check_bytes;
            if (crc(data + at, checked) == get_u32(data + at + checked)) return true;
            ++broken;
        }
        ++at;
        if (at >= until || at >= size) return false;
        const void* found = __builtin_memchr(data + at, int(block_magic & 0xFFU), until - at);
        if (found == nullptr) return false;
        at = size_t(static_cast<const uint8_t*>(found) - data);
    }
    return false;
}

enum class FieldType : uint8_t { u8 = 0, i8, u16, i16, u32, i32, u64, i64, f32, f64 };
constexpr size_t field_types = 10;

constexpr size_t field_bytes(FieldType type) {
    constexpr size_t bytes[field_types] = {1, 1, 2, 2, 4, 4, 8, 8, 4, 8};
    return bytes[size_t(type)];
}

// One column. as_counts: as it lies in the record, `to` of the field's own type. Else in SI: `to` of doubles,
// offset + scale * count, not-a-number where the count says that there is no value. The time becomes seconds
// of the board.
struct ColumnPlan {
    FieldType type = FieldType::u8;
    bool as_counts = false;
    uint16_t place = 0;  // of the field in the record, without its id
    double scale = 1.0;
    double offset = 0.0;
    void* to = nullptr;
};

// One kind of record. time: microseconds of the board since its start, wraps undone; may be null.
struct RecordPlan {
    uint16_t bytes = 0;  // without the id
    const ColumnPlan* columns = nullptr;
    size_t column_count = 0;
    int64_t* time = nullptr;
};

// The kinds of a layout: id -> index of its RecordPlan, -1 for ids that the layout does not have.
struct RecordKinds {
    int16_t kind[256];
    uint16_t bytes[256];  // with the id
};

// Count the records of a block by kind, adding to `counts`. other_layout: an id that the layout does not
// have, or a record that does not end in the block: what lies behind cannot be read.
inline Status count_records(const uint8_t* block, const BlockHeader& h, const RecordKinds& kinds,
                            uint32_t* counts) {
    const uint8_t* p = block + block_header_bytes;
    const uint8_t* end = p + h.used;
    while (p < end && *p != block_end) {
        const int16_t kind = kinds.kind[*p];
        if (kind < 0 || kinds.bytes[*p] > size_t(end - p)) return Status::other_layout;
        p += kinds.bytes[*p];
        ++counts[kind];
    }
    return Status::ok;
}

template <typename T>
inline T load_field(const uint8_t* from) {
    static_assert(__BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__, "a little-endian host");
    T x;
    __builtin_memcpy(&x, from, sizeof x);
    return x;
}

template <typename T>
constexpr bool is_missing(T x) {
    if constexpr (T(0.5) != T(0)) {
        return false;  // a floating number says it itself
    } else if constexpr (T(-1) < T(0)) {
        return x == T(uint64_t(1) << (8 * sizeof(T) - 1));
    } else {
        return x == T(-1);
    }
}

// Records that are copied together: at most so many, and no more bytes than the nearest cache holds beside
// the columns.
constexpr size_t record_batch = 256;
constexpr size_t record_batch_bytes = 24576;

// How a column's values reach the caller's memory, for the batches to be given another way where the host has
// it.
struct PlainStore {
    void operator()(void* to, const void* from, size_t bytes) const { __builtin_memcpy(to, from, bytes); }
};

// `count` values of a column, up to record_batch, gathered from their records, into the caller's rows.
template <typename T, typename Store>
inline void convert_column(const void* gathered, size_t count, const ColumnPlan& column, size_t row,
                           const Store& store) {
    if (column.as_counts) return store(static_cast<T*>(column.to) + row, gathered, count * sizeof(T));
    double values[record_batch];
    const double scale = column.scale;
    const double offset = column.offset;
    for (size_t k = 0; k < count; ++k) {
        const T x = load_field<T>(static_cast<const uint8_t*>(gathered) + k * sizeof(T));
        const double value = offset + scale * double(x);
        const bool none = is_missing(x) || !(value - value == 0.0);  // infinite: no value either
        values[k] = none ? double(NAN) : value;
    }
    store(static_cast<double*>(column.to) + row, values, count * sizeof(double));
}

// `count` up to record_batch.
template <typename T, typename Store>
inline void copy_column(const uint8_t* const* records, size_t count, const ColumnPlan& column, size_t row,
                        const Store& store) {
    const size_t place = column.place;
    // Gathered first, so that the compiler can convert several at once.
    T gathered[record_batch];
    size_t i = 0;
    for (; i + 4 <= count; i += 4) {
        for (size_t k = 0; k < 4; ++k) gathered[i + k] = load_field<T>(records[i + k] + place);
    }
    for (; i < count; ++i) gathered[i] = load_field<T>(records[i] + place);
    convert_column<T>(gathered, count, column, row, store);
}

// Call `what` with a value of the field's own type.
template <typename What>
inline void for_type(FieldType type, const What& what) {
    switch (type) {
        case FieldType::u8:
            return what(uint8_t{});
        case FieldType::i8:
            return what(int8_t{});
        case FieldType::u16:
            return what(uint16_t{});
        case FieldType::i16:
            return what(int16_t{});
        case FieldType::u32:
            return what(uint32_t{});
        case FieldType::i32:
            return what(int32_t{});
        case FieldType::u64:
            return what(uint64_t{});
        case FieldType::i64:
            return what(int64_t{});
        case FieldType::f32:
            return what(float{});
        case FieldType::f64:
            return what(double{});
    }
}

template <typename Store>
inline void copy_any_column(const uint8_t* const* records, size_t count, const ColumnPlan& column, size_t row,
                            const Store& store) {
    for_type(column.type, [&](auto of) { copy_column<decltype(of)>(records, count, column, row, store); });
}

// All columns of a batch, for the batches to be given one that is compiled for more of the host.
struct PlainCopy {
    void operator()(const uint8_t* const* records, size_t count, const RecordPlan& plan, size_t row) const {
        for (size_t c = 0; c < plan.column_count; ++c)
            copy_any_column(records, count, plan.columns[c], row, PlainStore{});
    }
};

// Collects the records of one kind and hands them to the columns in batches.
template <typename Copy>
class BatchBy {
  public:
    void begin(const RecordPlan& plan, size_t row, Copy copy = Copy{}) {
        plan_ = &plan;
        copy_ = copy;
        row_ = row;
        count_ = 0;
        const size_t fit = record_batch_bytes / (plan.bytes + size_t(1));
        batch_ = (fit < 16 ? 16 : fit < record_batch ? fit : record_batch) / 16 * 16;
        most_ = batch_ - row % 16;  // later batches begin where the cache lines of aligned columns do
    }
    void add(const uint8_t* record, uint64_t block_time) {
        record_[count_] = record;
        block_time_[count_] = block_time;
        if (++count_ == most_) flush();
    }
    void flush() {
        if (plan_ == nullptr || count_ == 0) return;
        if (plan_->time != nullptr) {
            for (size_t i = 0; i < count_; ++i) {
                const uint32_t low = get_u32(record_[i]);
                plan_->time[row_ + i] =
                    int64_t(block_time_[i]) + int64_t(int32_t(low - uint32_t(block_time_[i])));
            }
        }
        copy_(record_, count_, *plan_, row_);
        row_ += count_;
        count_ = 0;
        most_ = batch_;
    }

  private:
    const RecordPlan* plan_ = nullptr;
    Copy copy_{};
    size_t row_ = 0;
    size_t count_ = 0;
    size_t batch_ = record_batch;
    size_t most_ = record_batch;
    const uint8_t* record_[record_batch];
    uint64_t block_time_[record_batch];
};

using RecordBatch = BatchBy<PlainCopy>;

// Hand the records of a whole block to the batches, one of them per kind. `left`: how many rows of each kind
// there is still room for; false when there is not enough, or the block ends otherwise than when it was
// counted.
template <typename Copy>
inline bool split_records(const uint8_t* block, const BlockHeader& h, const RecordKinds& kinds,
                          BatchBy<Copy>* batches, uint32_t* left) {
    const uint8_t* p = block + block_header_bytes;
    const uint8_t* end = p + h.used;
    while (p < end && *p != block_end) {
        const int16_t kind = kinds.kind[*p];
        if (kind < 0 || kinds.bytes[*p] > size_t(end - p)) return true;
        if (left[kind] == 0) return false;
        --left[kind];
        batches[kind].add(p + 1, h.time);
        p += kinds.bytes[*p];
    }
    return true;
}

// Ask for the bytes of a block before they are needed: records are found one behind the other, which waits at
// each.
inline void prefetch_block(const uint8_t* block, size_t bytes) {
    for (size_t line = 0; line < bytes; line += 64) __builtin_prefetch(block + line);
}

}  // namespace fifthwheel
