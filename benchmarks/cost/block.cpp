// Calls of the card writer whose cost is counted: a record of 132 bytes, blocks of 4096, a ring of 16 KiB.
#include <fifthwheel/block.hpp>

namespace fw = fifthwheel;

namespace {
struct Card {
    uint64_t now = 1000;
    uint32_t sum = 0;
    fw::Status write_block(uint32_t number, const uint8_t* from) {
        sum += number + from[0];
        return fw::Status::ok;
    }
    fw::Status read_block(uint32_t, uint8_t*) { return fw::Status::storage; }
    uint64_t now_us() { return now; }
};
struct __attribute__((packed)) Record {
    uint32_t time;
    float value[32];
};
Card card;
constexpr fw::CardSettings card_settings() {
    fw::CardSettings s;
    s.blocks = 0xFFFFFFFFU;
    s.layout_text = "layout\t1\n";
    s.layout_bytes = 9;
    s.layout_hash = 1;
    return s;
}
fw::BlockWriter<Card, 4096, 16384> writer(card, card_settings());
Record record{};
fw::RecordRing<1024> ring;
uint8_t taken[sizeof(Record) + 1];
volatile bool good = false;
}  // namespace

extern "C" {
void cost_block_begin() { good = writer.begin(1, 0) == fw::Status::ok; }
void cost_block_ring() {
    record.time += 5000U;
    good = ring.push(1, &record, sizeof record);
    ring.take(taken, ring.next());
}
void cost_block_log_and_step() {
    card.now += 5000;
    record.time = uint32_t(card.now);
    good = writer.log(1, record);
    good = writer.step() == fw::Status::ok;
}
}
