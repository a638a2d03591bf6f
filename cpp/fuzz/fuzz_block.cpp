// Card images of any bytes, and of bytes whose blocks have a right check: reading stays within the image and
// its columns hold what was counted; a writer that resumes on such a card writes blocks that read whole.
#include <fifthwheel/block.hpp>
#include <fifthwheel/block_read.hpp>
#include <vector>

#include "crc_mutator.hpp"

namespace fw = fifthwheel;

namespace {

constexpr size_t block_bytes = 512;

// Blocks of a plausible size get their magic, version and check.
size_t repair(uint8_t* data, size_t size) {
    for (size_t at = 0; at + block_bytes <= size;) {
        uint8_t* block = data + at;
        fw::put_u32(block, fw::block_magic);
        block[4] = fw::block_version;
        size_t sectors = 1 + block[5] % 2U;
        if (sectors * block_bytes > size - at) sectors = 1;
        block[5] = uint8_t(sectors);
        block[21] &= 1U;
        fw::put_u16(block + 42, 0);
        const size_t room = fw::block_room(sectors * block_bytes);
        if (fw::get_u16(block + 22) > room) fw::put_u16(block + 22, uint16_t(room));
        if (fw::get_u16(block + 40) > fw::get_u16(block + 22)) fw::put_u16(block + 40, 0);
        fuzz::repair_tail(block, sectors * block_bytes);
        at += sectors * block_bytes;
    }
    return size;
}

// Two kinds of record: 1 {time u32, i16, f32}, 2 {time u32, u8, u64}.
struct Reader {
    fw::RecordKinds kinds{};
    Reader() {
        for (int id = 0; id < 256; ++id) kinds.kind[id] = -1;
        kinds.kind[1] = 0;
        kinds.bytes[1] = 11;
        kinds.kind[2] = 1;
        kinds.bytes[2] = 14;
    }

    void read(const uint8_t* data, size_t size) const {
        uint32_t counts[2] = {0, 0};
        std::vector<size_t> whole;
        size_t broken = 0;
        fw::BlockHeader h;
        for (size_t at = 0; fw::next_block(data, size, size, at, h, broken); at += h.bytes) {
            fuzz::must(at + h.bytes <= size && fw::block_is_whole(data + at, h));
            if (h.kind != fw::BlockKind::records) continue;
            if (fw::count_records(data + at, h, kinds, counts) != fw::Status::ok) continue;
            whole.push_back(at);
        }
        columns(data, size, whole);
    }

    void columns(const uint8_t* data, size_t size, const std::vector<size_t>& whole) const {
        uint32_t counts[2] = {0, 0};
        fw::BlockHeader h;
        for (const size_t at : whole) {
            fuzz::must(fw::read_block_header(data + at, size - at, h));
            fuzz::must(fw::count_records(data + at, h, kinds, counts) == fw::Status::ok);
        }
        // Columns of exactly the counted size: a row more would be seen.
        std::vector<int16_t> angle(counts[0]);
        std::vector<double> speed(counts[0]);
        std::vector<double> flags(counts[1]);
        std::vector<uint64_t> turns(counts[1]);
        std::vector<int64_t> time[2] = {std::vector<int64_t>(counts[0]), std::vector<int64_t>(counts[1])};
        const fw::ColumnPlan first[] = {{fw::FieldType::i16, true, 4, 1.0, 0.0, angle.data()},
                                        {fw::FieldType::f32, false, 6, 0.5, 1.0, speed.data()}};
        const fw::ColumnPlan second[] = {{fw::FieldType::u8, false, 4, 0.1, -3.0, flags.data()},
                                         {fw::FieldType::u64, true, 5, 1.0, 0.0, turns.data()}};
        const fw::RecordPlan plans[2] = {{10, first, 2, time[0].data()}, {13, second, 2, time[1].data()}};
        uint32_t left[2] = {counts[0], counts[1]};
        static fw::RecordBatch batches[2];
        for (int k = 0; k < 2; ++k) batches[k].begin(plans[k], 0);
        for (const size_t at : whole) {
            fuzz::must(fw::read_block_header(data + at, size - at, h));
            fuzz::must(fw::split_records(data + at, h, kinds, batches, left));
        }
        for (auto& batch : batches) batch.flush();
    }
};

struct Card {
    std::vector<uint8_t> bytes;
    std::vector<uint8_t> written;  // times that each block was
    uint64_t now = 1000;
    fw::Status write_block(uint32_t number, const uint8_t* from) {
        if ((size_t(number) + 1) * block_bytes > bytes.size()) return fw::Status::storage;
        fw::copy_bytes(bytes.data() + size_t(number) * block_bytes, from, block_bytes);
        ++written[number];
        return fw::Status::ok;
    }
    fw::Status read_block(uint32_t number, uint8_t* to) {
        if ((size_t(number) + 1) * block_bytes > bytes.size()) return fw::Status::storage;
        fw::copy_bytes(to, bytes.data() + size_t(number) * block_bytes, block_bytes);
        return fw::Status::ok;
    }
    uint64_t now_us() { return now += 100; }
};

struct __attribute__((packed)) Record {
    uint32_t time;
    int16_t angle;
    float speed;
};

// A writer goes on where the card says, and what it writes reads whole.
void resume(const uint8_t* data, size_t size) {
    Card card;
    card.bytes.assign(data, data + size / block_bytes * block_bytes);
    card.written.assign(size / block_bytes, 0);
    fw::CardSettings settings;
    settings.blocks = uint32_t(card.bytes.size() / block_bytes);
    settings.layout_text = "layout\t1\n";
    settings.layout_bytes = 9;
    settings.layout_hash = 77;
    fw::BlockWriter<Card, block_bytes, 1024> writer(card, settings);
    if (writer.resume(5, 0) != fw::Status::ok) return;
    for (uint32_t k = 0; k < 100; ++k) {
        (void)writer.log(1, Record{k, int16_t(k), float(k)});
        if (k % 10 == 0 && writer.step() != fw::Status::ok) break;
    }
    (void)writer.sync();
    for (uint32_t n = 0; n < settings.blocks; ++n) {
        const uint8_t* block = card.bytes.data() + size_t(n) * block_bytes;
        fuzz::must(card.written[n] <= 1U);
        if (card.written[n] == 0U) continue;
        fw::BlockHeader h;
        fuzz::must(fw::read_block_header(block, block_bytes, h) && fw::block_is_whole(block, h));
        fuzz::must(h.number == n && h.recording == writer.recording() && h.boot == writer.boot());
    }
}

}  // namespace

FIFTHWHEEL_REPAIRING_MUTATOR(repair)

extern "C" int LLVMFuzzerTestOneInput(const uint8_t* data, size_t size) {
    static const Reader reader;
    reader.read(data, size);
    resume(data, size);
    return 0;
}
