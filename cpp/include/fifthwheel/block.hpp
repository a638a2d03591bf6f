// Card file of self-checking blocks: what a block is, and the writer that runs on the car.
//
// The file is allocated before it is used and written from its start, a block at a time. A block says all
// that is needed to read it alone: recording, position, boot, layout, time, and a CRC-32 over the rest. What
// lay in the sectors before is told by another recording id or another position. No block is written twice,
// so that a power cut costs the block it hit and what was still in memory.
//
//   offset size
//    0      4   magic "FWB1"
//    4      1   version of this header (1)
//    5      1   bytes of the block / 512
//    6      2   boot of this recording, from 1
//    8      8   recording id, random
//   16      4   number of the block = its position in the file
//   20      1   cause of the last reset, as the board reports it
//   21      1   kind: 0 records, 1 layout text
//   22      2   bytes used after the header
//   24      8   hash of the layout
//   32      8   board time of the first record [us since the boot], resolves the wrap of record times
//   40      2   records in the block, or the part of the layout text
//   42      2   0
//   44      4   records lost in this boot before the block was written
//   48          records: id u8 and packed fields each, whole within the block, or
//               layout text: bytes in all u32, offset of this part u32, the part; 0xFF fills the rest
//   last    4   CRC-32 of all before it
#pragma once

#include <stddef.h>
#include <stdint.h>

#include <fifthwheel/bytes.hpp>
#include <fifthwheel/crc.hpp>
#include <fifthwheel/status.hpp>

namespace fifthwheel {

constexpr uint32_t block_magic = 0x31425746U;  // "FWB1" in the order of the file
constexpr uint8_t block_version = 1;
constexpr size_t block_sector = 512;
constexpr size_t block_header_bytes = 48;
constexpr size_t block_check_bytes = 4;
constexpr size_t block_text_header_bytes = 8;
constexpr uint8_t block_end = 0xFF;  // in place of a record id: nothing more in the block
constexpr size_t block_most_bytes = 65536;

enum class BlockKind : uint8_t { records = 0, layout_text = 1 };

struct BlockHeader {
    size_t bytes = 0;
    uint64_t recording = 0;
    uint64_t layout = 0;
    uint64_t time = 0;
    uint32_t number = 0;
    uint32_t lost = 0;
    uint16_t boot = 0;
    uint16_t used = 0;
    uint16_t count = 0;
    uint8_t reset_cause = 0;
    BlockKind kind = BlockKind::records;
};

// Bytes of records that a block of `bytes` takes.
constexpr size_t block_room(size_t bytes) { return bytes - block_header_bytes - block_check_bytes; }

// Write the header of a block and the check at its end; everything between is there already.
inline void seal_block(uint8_t* block, const BlockHeader& h) {
    put_u32(block, block_magic);
    block[4] = block_version;
    block[5] = uint8_t(h.bytes / block_sector);
    put_u16(block + 6, h.boot);
    put_u64(block + 8, h.recording);
    put_u32(block + 16, h.number);
    block[20] = h.reset_cause;
    block[21] = uint8_t(h.kind);
    put_u16(block + 22, h.used);
    put_u64(block + 24, h.layout);
    put_u64(block + 32, h.time);
    put_u16(block + 40, h.count);
    put_u16(block + 42, 0);
    put_u32(block + 44, h.lost);
    put_u32(block + h.bytes - block_check_bytes, crc32(block, h.bytes - block_check_bytes));
}

// Read a header at `at`, of which `left` bytes are there. False where no block of this version can begin:
// wrong magic, sizes that cannot be, or a block that is cut off. Says nothing about the check.
inline bool read_block_header(const uint8_t* at, size_t left, BlockHeader& h) {
    if (left < block_sector || get_u32(at) != block_magic || at[4] != block_version) return false;
    h.bytes = at[5] * block_sector;
    if (at[5] == 0 || h.bytes > block_most_bytes || h.bytes > left || at[21] > 1U || get_u16(at + 42) != 0U) {
        return false;
    }
    h.boot = get_u16(at + 6);
    h.recording = get_u64(at + 8);
    h.number = get_u32(at + 16);
    h.reset_cause = at[20];
    h.kind = BlockKind(at[21]);
    h.used = get_u16(at + 22);
    h.layout = get_u64(at + 24);
    h.time = get_u64(at + 32);
    h.count = get_u16(at + 40);
    h.lost = get_u32(at + 44);
    return h.used <= block_room(h.bytes) && h.count <= h.used;
}

// True when the check of the block holds.
inline bool block_is_whole(const uint8_t* block, const BlockHeader& h) {
    const size_t size = h.bytes - block_check_bytes;
    return crc32(block, size) == get_u32(block + size);
}

// Records on their way from the control loop to the card task: one producer, one consumer. The producer never
// waits: where a record does not fit it is dropped whole and counted. Lies in memory as [bytes u16][id
// u8][record].
template <size_t Bytes>
class RecordRing {
    static_assert(Bytes >= 64 && Bytes <= (size_t(1) << 30) && (Bytes & (Bytes - 1)) == 0,
                  "the ring is a power of two of 64 bytes or more");
    static_assert(__atomic_always_lock_free(sizeof(uint32_t), nullptr), "32-bit atomics without a lock");

  public:
    static constexpr size_t head_bytes = 3;

    // Producer. False when the record was dropped.
    bool push(uint8_t id, const void* record, size_t size) {
        const uint32_t head = __atomic_load_n(&head_, __ATOMIC_RELAXED);
        const uint32_t tail = __atomic_load_n(&tail_, __ATOMIC_ACQUIRE);
        const uint32_t held = head - tail;
        const size_t whole = size + head_bytes;
        if (id == block_end || size >= block_most_bytes || whole > Bytes - held) {
            __atomic_store_n(&lost_, lost_ + 1U, __ATOMIC_RELAXED);
            return false;
        }
        uint8_t start[head_bytes];
        put_u16(start, uint16_t(size + 1));
        start[2] = id;
        write(head, start, head_bytes);
        write(head + uint32_t(head_bytes), static_cast<const uint8_t*>(record), size);
        __atomic_store_n(&head_, head + uint32_t(whole), __ATOMIC_RELEASE);
        const uint32_t now = held + uint32_t(whole);
        if (now > peak_) __atomic_store_n(&peak_, now, __ATOMIC_RELAXED);
        return true;
    }

    // Consumer. Bytes that wait; bytes (id and record) of the next record, 0 for none; the record itself, to
    // `to`.
    uint32_t waiting() const { return __atomic_load_n(&head_, __ATOMIC_ACQUIRE) - tail_; }
    size_t next() const {
        if (waiting() == 0) return 0;
        uint8_t size[2];
        read(tail_, size, 2);
        return get_u16(size);
    }
    void take(uint8_t* to, size_t size) {
        read(tail_ + 2U, to, size);
        __atomic_store_n(&tail_, tail_ + 2U + uint32_t(size), __ATOMIC_RELEASE);
    }
    // The time that every record begins with.
    uint32_t next_time() const {
        uint8_t time[4];
        read(tail_ + uint32_t(head_bytes), time, 4);
        return get_u32(time);
    }

    uint32_t lost() const { return __atomic_load_n(&lost_, __ATOMIC_RELAXED); }
    uint32_t peak() const { return __atomic_load_n(&peak_, __ATOMIC_RELAXED); }

  private:
    void write(uint32_t at, const uint8_t* from, size_t size) {
        const size_t begin = at & (Bytes - 1);
        const size_t first = size < Bytes - begin ? size : Bytes - begin;
        copy_bytes(bytes_ + begin, from, first);
        copy_bytes(bytes_, from + first, size - first);
    }
    void read(uint32_t at, uint8_t* to, size_t size) const {
        const size_t begin = at & (Bytes - 1);
        const size_t first = size < Bytes - begin ? size : Bytes - begin;
        copy_bytes(to, bytes_ + begin, first);
        copy_bytes(to + first, bytes_, size - first);
    }

    uint32_t head_ = 0;  // written by the producer
    uint32_t lost_ = 0;
    uint32_t peak_ = 0;
    uint32_t tail_ = 0;  // written by the consumer
    uint8_t bytes_[Bytes] = {};
};

struct CardSettings {
    uint32_t blocks = 0;  // of the preallocated file
    const char* layout_text = nullptr;
    size_t layout_bytes = 0;
    uint64_t layout_hash = 0;
    uint32_t layout_every = 256;  // blocks from one layout text to the next
    uint32_t stall_us = 20000;    // a write that takes longer is a stall (common practice, no source)
};

// What stalls of the card cost in this boot: the core's record `card_state` (id 248).
#pragma pack(push, 1)
struct CardState {
    uint32_t time;
    uint32_t stalls;
    uint32_t worst_stall_us;
    uint32_t lost_records;
    uint32_t buffer_peak;  // [bytes] of the ring
};
#pragma pack(pop)
static_assert(sizeof(CardState) == 20 && alignof(CardState) == 1, "as in the layout text");
constexpr uint8_t card_state_id = 248;

// Writes records into a preallocated card file. The control loop calls `log`; all else belongs to the card
// task.
//
// Card: Status write_block(uint32_t number, const uint8_t* from), Status read_block(uint32_t number, uint8_t*
// to), both of BlockBytes, and uint64_t now_us(), the board's time since its start. They may block; nothing
// else here does.
template <typename Card, size_t BlockBytes = 4096, size_t RingBytes = 32768>
class BlockWriter {
    static_assert(BlockBytes % block_sector == 0 && BlockBytes >= block_sector &&
                      BlockBytes <= block_most_bytes,
                  "a block is 1 to 128 sectors of 512 bytes");
    static_assert(__BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__,
                  "records are packed structs of a little-endian target");

  public:
    static constexpr size_t room = block_room(BlockBytes);
    static constexpr uint32_t search_first = 64;  // blocks looked at for the recording that the card holds
    static constexpr uint32_t search_rounds = 8;
    static constexpr uint32_t search_span =
        8;  // unreadable blocks in a row that the search for its end passes

    BlockWriter(Card& card, const CardSettings& settings) : card_(card), s_(settings) {}

    // Control loop. Hand over one record; never waits. False when there was no room and it was dropped
    // (counted).
    template <typename Record>
    bool log(uint8_t id, const Record& record) {
        check_record<Record>();
        return ring_.push(id, &record, sizeof(Record));
    }

    // Begin a new recording at the start of the file, over whatever lies there.
    Status begin(uint64_t recording, uint8_t reset_cause) {
        h_ = BlockHeader{};
        h_.recording = recording;
        h_.boot = 1;
        next_ = 0;
        return start(reset_cause);
    }

    // Go on, as a new boot, with the recording that the file begins with; begin one with id `fresh` where it
    // holds none. other_layout: a recording of another block size is there, and only `begin` overwrites it.
    // storage: the card cannot be read. full: no block or no boot number is left. Reads at most search_first
    // + rounds * 2 * search_span * log2(blocks).
    Status resume(uint64_t fresh, uint8_t reset_cause) {
        h_ = BlockHeader{};
        BlockHeader found;
        uint32_t first = 0;
        const Status looked = find_first(first, found);
        if (looked != Status::ok) return looked;
        if (found.bytes == 0) return begin(fresh, reset_cause);
        h_.recording = found.recording;
        const uint32_t last = find_last(first, found);
        next_ = last + 1U;
        if (found.boot == 0xFFFFU) return Status::full;
        h_.boot = uint16_t(found.boot + 1U);
        return start(reset_cause);
    }

    // Card task, as often as the ring needs it: move what waits in the ring into blocks and write those that
    // are full. After an error the block is kept and tried again with the next call, after three tries at the
    // next position.
    Status step() {
        if (h_.boot == 0) return Status::bad_argument;
        now_ = card_.now_us();
        uint32_t waiting = ring_.waiting();
        for (;;) {
            if (sealed_) {
                const Status status = write_out();
                if (status != Status::ok) return status;
            } else if (text_at_ < s_.layout_bytes) {
                fill_text();
            } else if (waiting == 0) {
                return Status::ok;
            } else {
                const size_t size = ring_.next();
                const uint32_t whole = uint32_t(size + 2U);
                if (!open_for(size, ring_.next_time())) continue;
                ring_.take(block_ + block_header_bytes + h_.used, size);
                h_.used = uint16_t(h_.used + size);
                ++h_.count;
                waiting = whole < waiting ? waiting - whole : 0U;
            }
        }
    }

    // Card task, once or twice a second: step, and write the block that is only partly filled as well.
    Status sync() {
        const Status status = step();
        if (status != Status::ok || h_.count == 0) return status;
        sealed_ = true;
        return step();
    }

    // Card task: a record of its own, past the ring.
    template <typename Record>
    Status note(uint8_t id, const Record& record) {
        check_record<Record>();
        if (id == block_end) return Status::bad_argument;
        Status status = step();
        if (status != Status::ok) return status;
        const auto* bytes = reinterpret_cast<const uint8_t*>(&record);
        while (!open_for(sizeof(Record) + 1, get_u32(bytes))) {
            status = step();
            if (status != Status::ok) return status;
        }
        uint8_t* to = block_ + block_header_bytes + h_.used;
        to[0] = id;
        copy_bytes(to + 1, bytes, sizeof(Record));
        h_.used = uint16_t(h_.used + sizeof(Record) + 1);
        ++h_.count;
        return Status::ok;
    }

    CardState state() const {
        return {uint32_t(card_.now_us()), stalls_, worst_stall_us_, ring_.lost(), ring_.peak()};
    }
    uint64_t recording() const { return h_.recording; }
    uint16_t boot() const { return h_.boot; }
    uint32_t next_block() const { return next_; }
    uint32_t failed_writes() const { return failed_; }

  private:
    template <typename Record>
    static constexpr void check_record() {
        static_assert(__is_trivially_copyable(Record), "a record is a plain packed struct");
        static_assert(alignof(Record) == 1, "a record is packed: padding would be logged");
        static_assert(sizeof(Record) >= 4, "a record begins with its time");
        static_assert(sizeof(Record) + 1 <= room, "a record lies whole in a block");
        static_assert(sizeof(Record) + RecordRing<RingBytes>::head_bytes <= RingBytes,
                      "a record fits the ring");
    }

    Status start(uint8_t reset_cause) {
        if (s_.layout_text == nullptr && s_.layout_bytes > 0) return Status::bad_argument;
        h_.reset_cause = reset_cause;
        h_.layout = s_.layout_hash;
        h_.bytes = BlockBytes;
        sealed_ = false;
        text_at_ = 0;
        tries_ = 0;
        clear();
        return step();
    }

    void clear() {
        h_.used = 0;
        h_.count = 0;
        h_.kind = BlockKind::records;
    }

    // Make the block ready for a record of `size` bytes with its id and the time `time`; false: it must go
    // out first.
    bool open_for(size_t size, uint32_t time) {
        if (h_.count == 0) {
            // A record is at most half a wrap (36 minutes) older or newer than now.
            h_.time = now_ + uint64_t(int64_t(int32_t(time - uint32_t(now_))));
            return true;
        }
        const int32_t later = int32_t(time - uint32_t(h_.time));
        const bool near =
            later < longest_span && later > -longest_span && int64_t(now_ - h_.time) < longest_span;
        if (near && h_.used + size <= room) return true;
        sealed_ = true;
        return false;
    }

    void fill_text() {
        const size_t most = room - block_text_header_bytes;
        const size_t left = s_.layout_bytes - text_at_;
        const size_t size = left < most ? left : most;
        uint8_t* to = block_ + block_header_bytes;
        put_u32(to, uint32_t(s_.layout_bytes));
        put_u32(to + 4, uint32_t(text_at_));
        for (size_t i = 0; i < size; ++i)
            to[block_text_header_bytes + i] = uint8_t(s_.layout_text[text_at_ + i]);
        h_.kind = BlockKind::layout_text;
        h_.time = card_.now_us();
        h_.used = uint16_t(block_text_header_bytes + size);
        h_.count = uint16_t(text_at_ / most);
        text_at_ += size;
        sealed_ = true;
    }

    Status write_out() {
        if (next_ >= s_.blocks) return Status::full;
        h_.number = next_;
        h_.lost = ring_.lost();
        uint8_t* rest = block_ + block_header_bytes + h_.used;
        for (size_t i = h_.used; i < room; ++i) *rest++ = block_end;
        seal_block(block_, h_);
        const uint64_t before = card_.now_us();
        const Status status = card_.write_block(next_, block_);
        const uint64_t took = card_.now_us() - before;
        if (took >= s_.stall_us) {
            ++stalls_;
            if (took > worst_stall_us_) worst_stall_us_ = took < 0xFFFFFFFFU ? uint32_t(took) : 0xFFFFFFFFU;
        }
        if (status != Status::ok) {
            ++failed_;
            if (++tries_ >= tries_at_a_place) {
                tries_ = 0;
                ++next_;
            }
            return Status::storage;
        }
        tries_ = 0;
        ++next_;
        if (h_.kind == BlockKind::layout_text) text_next_ = next_ + s_.layout_every;
        sealed_ = false;
        clear();
        if (text_at_ >= s_.layout_bytes && next_ >= text_next_) text_at_ = 0;
        return Status::ok;
    }

    // True when block `number` of the file is a whole one at its own place.
    bool read_whole(uint32_t number, BlockHeader& h, bool& unread) {
        if (card_.read_block(number, block_) != Status::ok) {
            unread = true;
            return false;
        }
        return read_block_header(block_, BlockBytes, h) && h.number == number && block_is_whole(block_, h);
    }

    Status find_first(uint32_t& first, BlockHeader& found) {
        bool unread = false;
        for (first = 0; first < search_first && first < s_.blocks; ++first) {
            BlockHeader h;
            if (read_whole(first, h, unread)) {
                found = h;
                return h.bytes == BlockBytes ? Status::ok : Status::other_layout;
            }
            if (first == 0 && get_u32(block_) == block_magic &&
                size_t(block_[5]) * block_sector != BlockBytes && !unread) {
                return Status::other_layout;
            }
        }
        return unread ? Status::storage : Status::ok;
    }

    // The last block from `from` on, within a few, that is of this recording; false for none.
    bool any_near(uint32_t from, uint32_t& last, BlockHeader& found) {
        bool any = false;
        bool unread = false;
        for (uint32_t n = from; n < s_.blocks && n < from + search_span; ++n) {
            BlockHeader h;
            if (read_whole(n, h, unread) && h.recording == h_.recording) {
                last = n;
                found = h;
                any = true;
                break;
            }
        }
        return any;
    }

    // The last block of the recording: bisection, where a block that cannot be read is judged by those behind
    // it, then strides beyond the end, so that a damaged stretch is not taken for it.
    uint32_t find_last(uint32_t first, BlockHeader& found) {
        uint32_t last = first;
        uint32_t end = s_.blocks;  // no block of the recording is known from here on
        for (uint32_t round = 0;; ++round) {
            while (end - last > 1U) {
                const uint32_t middle = last + (end - last) / 2U;
                if (!any_near(middle, last, found)) end = middle;
                if (end <= last) end = last + 1U;
            }
            uint32_t beyond = last;
            bool more = false;
            for (uint32_t stride = 2U * search_span; stride < s_.blocks - last; stride *= 2U) {
                if (any_near(last + stride, beyond, found)) {
                    more = true;
                    break;
                }
            }
            if (!more || round + 1U >= search_rounds) return more ? beyond : last;
            last = beyond;
            end = s_.blocks;
        }
    }

    static constexpr int32_t longest_span = int32_t(1)
                                            << 30;  // [us] within one block, half of what the reader takes
    static constexpr uint32_t tries_at_a_place = 3;

    Card& card_;
    CardSettings s_;
    BlockHeader h_;
    uint32_t next_ = 0;
    uint32_t text_next_ = 0;
    uint64_t now_ = 0;  // as the step began
    size_t text_at_ = 0;
    bool sealed_ = false;
    uint32_t tries_ = 0;
    uint32_t failed_ = 0;
    uint32_t stalls_ = 0;
    uint32_t worst_stall_us_ = 0;
    uint8_t block_[BlockBytes] = {};
    RecordRing<RingBytes> ring_;
};

}  // namespace fifthwheel
