// Card blocks against bytes packed by Python's struct and zlib (vectors/block.txt), the ring between the
// control loop and the card task, and a writer on a card that fails.
#include <cmath>
#include <cstring>
#include <fifthwheel/block.hpp>
#include <fifthwheel/block_read.hpp>
#include <map>
#include <memory>
#include <thread>
#include <vector>

#include "vectors.hpp"
#include "vendor/doctest.h"

namespace fw = fifthwheel;

namespace {

#pragma pack(push, 1)
struct Main {
    uint32_t time;
    int16_t a;
    float b;
};
struct Other {
    uint32_t time;
    uint8_t a;
    double b;
};
#pragma pack(pop)

std::vector<uint8_t> bytes_of(const std::vector<double>& numbers) {
    std::vector<uint8_t> out;
    for (const double x : numbers) out.push_back(uint8_t(x));
    return out;
}

// A card in memory. `broken` blocks cannot be written; every write takes `takes` microseconds.
struct Card {
    std::map<uint32_t, std::vector<uint8_t>> blocks;
    std::map<uint32_t, int> broken;
    uint64_t now = 0;
    uint64_t takes = 0;
    bool unreadable = false;

    fw::Status write_block(uint32_t number, const uint8_t* from) {
        now += takes;
        if (broken[number] != 0) return fw::Status::storage;
        blocks[number].assign(from, from + 512);
        return fw::Status::ok;
    }
    fw::Status read_block(uint32_t number, uint8_t* to) {
        if (unreadable) return fw::Status::storage;
        const auto found = blocks.find(number);
        std::memset(to, 0xFF, 512);
        if (found != blocks.end()) std::memcpy(to, found->second.data(), 512);
        return fw::Status::ok;
    }
    uint64_t now_us() const { return now; }
};

using Writer = fw::BlockWriter<Card, 512, 1024>;

const char text[] = "layout\t1\nrecord\t1\tmain\t200.0\tlogger\n";

fw::CardSettings settings_of(uint32_t blocks) {
    fw::CardSettings s;
    s.blocks = blocks;
    s.layout_text = text;
    s.layout_bytes = sizeof text - 1;
    s.layout_hash = 0xFEDCBA9876543210U;
    return s;
}

}  // namespace

TEST_CASE("the writer puts the bytes down that struct and zlib pack") {
    const Vectors v("block.txt");
    Card card;
    card.now = 1000;
    Writer writer(card, settings_of(100));
    REQUIRE(writer.begin(0x0123456789ABCDEFU, 5) == fw::Status::ok);
    CHECK(card.blocks.at(0) == bytes_of(v.at("text")));
}

TEST_CASE("the reader takes the bytes apart that struct and zlib pack, and they seal to the same") {
    const Vectors v("block.txt");
    std::vector<uint8_t> block = bytes_of(v.at("records"));
    fw::BlockHeader h;
    size_t at = 0;
    size_t broken = 0;
    REQUIRE(fw::next_block(block.data(), block.size(), block.size(), at, h, broken));
    CHECK(at == 0);
    CHECK(h.bytes == 512);
    CHECK(h.recording == 0x0123456789ABCDEFU);
    CHECK(h.layout == 0xFEDCBA9876543210U);
    CHECK(h.number == 7);
    CHECK(h.boot == 3);
    CHECK(h.reset_cause == 5);
    CHECK(h.lost == 9);
    CHECK(h.count == 3);
    CHECK(h.time == 0x1FFFFFF00U);

    fw::RecordKinds kinds{};
    for (auto& kind : kinds.kind) kind = -1;
    kinds.kind[1] = 0;
    kinds.bytes[1] = 11;
    kinds.kind[2] = 1;
    kinds.bytes[2] = 14;
    uint32_t counts[2] = {0, 0};
    REQUIRE(fw::count_records(block.data(), h, kinds, counts) == fw::Status::ok);
    REQUIRE(counts[0] == 2);
    REQUIRE(counts[1] == 1);
    double a[2], b[2], c[1], d[1];
    int16_t raw[2];
    int64_t time[2], time_other[1];
    const fw::ColumnPlan mains[] = {{fw::FieldType::i16, false, 4, 1.0, 0.0, a},
                                    {fw::FieldType::i16, true, 4, 1.0, 0.0, raw},
                                    {fw::FieldType::f32, false, 6, 2.0, 1.0, b}};
    const fw::ColumnPlan others[] = {{fw::FieldType::u8, false, 4, 1.0, 0.0, c},
                                     {fw::FieldType::f64, false, 5, 1.0, 0.0, d}};
    const fw::RecordPlan plans[] = {{10, mains, 3, time}, {13, others, 2, time_other}};
    fw::RecordBatch batches[2];
    batches[0].begin(plans[0], 0);
    batches[1].begin(plans[1], 0);
    uint32_t left[2] = {2, 1};
    CHECK(fw::split_records(block.data(), h, kinds, batches, left));
    CHECK(left[0] + left[1] == 0);
    CHECK_FALSE(fw::split_records(block.data(), h, kinds, batches, left));
    for (auto& batch : batches) batch.flush();
    CHECK(double(time[0]) == v.at("times")[0]);
    CHECK(double(time[1]) == v.at("times")[1]);
    CHECK(double(time_other[0]) == v.at("times")[2]);
    CHECK(a[0] == v.at("i16")[0]);
    CHECK(std::isnan(a[1]));  // -32768 means no value
    CHECK(raw[1] == -32768);
    CHECK(b[0] == 1.0 + 2.0 * v.at("f32")[0]);
    CHECK(b[1] == 1.0 + 2.0 * v.at("f32")[1]);
    CHECK(std::isnan(c[0]));  // 255 means no value
    CHECK(d[0] == v.at("f64")[0]);

    std::vector<uint8_t> again = block;
    std::memset(again.data(), 0, fw::block_header_bytes);
    fw::seal_block(again.data(), h);
    CHECK(again == block);
}

TEST_CASE("a block counts only when it is whole, wherever it lies") {
    const Vectors v("block.txt");
    const std::vector<uint8_t> block = bytes_of(v.at("records"));
    std::vector<uint8_t> image(333, 0x46);  // 'F', as the magic begins
    image.insert(image.end(), block.begin(), block.end());
    fw::BlockHeader h;
    size_t at = 0;
    size_t broken = 0;
    CHECK(fw::next_block(image.data(), image.size(), image.size(), at, h, broken));
    CHECK(at == 333);
    for (size_t byte = 0; byte < block.size(); ++byte) {
        std::vector<uint8_t> changed = block;
        changed[byte] ^= uint8_t(1U << (byte % 8U));
        at = 0;
        CHECK_FALSE(fw::next_block(changed.data(), changed.size(), changed.size(), at, h, broken));
    }
    at = 0;
    CHECK_FALSE(fw::next_block(block.data(), block.size() - 1, block.size() - 1, at, h, broken));
}

TEST_CASE("an id that the layout does not have ends what can be read of a block") {
    const Vectors v("block.txt");
    const std::vector<uint8_t> block = bytes_of(v.at("records"));
    fw::BlockHeader h;
    REQUIRE(fw::read_block_header(block.data(), block.size(), h));
    fw::RecordKinds kinds{};
    for (auto& kind : kinds.kind) kind = -1;
    kinds.kind[1] = 0;
    kinds.bytes[1] = 11;
    uint32_t count = 0;
    CHECK(fw::count_records(block.data(), h, kinds, &count) == fw::Status::other_layout);
    CHECK(count == 2);
}

TEST_CASE("the ring keeps records whole and in order, and counts what does not fit") {
    fw::RecordRing<64> ring;
    const Main record{1, 2, 3.0F};  // 13 bytes in the ring
    for (int k = 0; k < 4; ++k) CHECK(ring.push(1, &record, sizeof record));
    CHECK_FALSE(ring.push(1, &record, sizeof record));
    CHECK(ring.lost() == 1);
    CHECK(ring.peak() == 52);
    uint8_t out[16];
    for (int k = 0; k < 100; ++k) {  // around the end many times
        REQUIRE(ring.next() == 11);
        CHECK(ring.next_time() == 1);
        ring.take(out, 11);
        CHECK(out[0] == 1);
        CHECK(std::memcmp(out + 1, &record, sizeof record) == 0);
        CHECK(ring.push(1, &record, sizeof record));
    }
    CHECK_FALSE(ring.push(fw::block_end, &record, sizeof record));  // the id that ends a block is no record's
}

TEST_CASE("producer and consumer in two threads: every record once, whole, in order") {
    auto ring = std::make_unique<fw::RecordRing<256>>();
    constexpr uint32_t count = 200000;
    std::thread producer([&] {
        for (uint32_t k = 0; k < count; ++k) {
            const Other record{k, uint8_t(k), double(k) * 3.0};
            while (!ring->push(2, &record, sizeof record)) std::this_thread::yield();
        }
    });
    uint32_t wrong = 0;
    for (uint32_t k = 0; k < count;) {
        const size_t size = ring->next();
        if (size == 0) {
            std::this_thread::yield();
            continue;
        }
        uint8_t out[32];
        REQUIRE(size == sizeof(Other) + 1);
        ring->take(out, size);
        Other record{};
        std::memcpy(&record, out + 1, sizeof record);
        if (record.time != k || record.a != uint8_t(k) || record.b != double(k) * 3.0) ++wrong;
        ++k;
    }
    producer.join();
    CHECK(wrong == 0);
}

TEST_CASE("a card that fails at a place is tried again and then left behind, and nothing is lost") {
    Card card;
    card.broken[3] = 1;
    Writer writer(card, settings_of(100));
    REQUIRE(writer.begin(1, 0) == fw::Status::ok);
    int refused = 0;
    for (uint32_t k = 0; k < 400; ++k) {
        card.now = k * 5000U;
        CHECK(writer.log(1, Main{uint32_t(card.now), int16_t(k), 0.0F}));
        if (writer.step() == fw::Status::storage) ++refused;
    }
    CHECK(writer.sync() == fw::Status::ok);
    CHECK(refused == 3);
    CHECK(writer.failed_writes() == 3);
    CHECK(card.blocks.count(3) == 0);
    int16_t next = 0;
    for (const auto& [number, block] : card.blocks) {
        fw::BlockHeader h;
        REQUIRE(fw::read_block_header(block.data(), block.size(), h));
        CHECK(fw::block_is_whole(block.data(), h));
        CHECK(h.number == number);
        if (h.kind != fw::BlockKind::records) continue;
        for (size_t k = 0; k < h.count; ++k) {
            CHECK(int16_t(fw::get_u16(&block[fw::block_header_bytes + 11 * k + 5])) == next++);
        }
    }
    CHECK(next == 400);
}

TEST_CASE("stalls are counted with the longest of them") {
    Card card;
    Writer writer(card, settings_of(100));
    REQUIRE(writer.begin(1, 0) == fw::Status::ok);
    for (const uint64_t takes : {19999U, 20000U, 250000U, 500000U, 1000U}) {
        card.takes = takes;
        CHECK(writer.log(1, Main{uint32_t(card.now), 0, 0.0F}));
        CHECK(writer.sync() == fw::Status::ok);
    }
    CHECK(writer.state().stalls == 3);
    CHECK(writer.state().worst_stall_us == 500000);
    CHECK(writer.state().lost_records == 0);
}

TEST_CASE("resume does not write over a card that it cannot read, nor before a boot began") {
    Card card;
    Writer writer(card, settings_of(100));
    CHECK(writer.step() == fw::Status::bad_argument);
    card.unreadable = true;
    CHECK(writer.resume(1, 0) == fw::Status::storage);
    CHECK(card.blocks.empty());
    card.unreadable = false;
    CHECK(writer.resume(1, 0) == fw::Status::ok);
    CHECK(writer.boot() == 1);
    CHECK(writer.recording() == 1);
    Writer again(card, settings_of(100));
    CHECK(again.resume(2, 0) == fw::Status::ok);
    CHECK(again.boot() == 2);
    CHECK(again.recording() == 1);
    CHECK(again.next_block() == 2);
}
