// A ring is a power of two.
#include <fifthwheel/block.hpp>

struct Card {
    fifthwheel::Status write_block(uint32_t, const uint8_t*) { return fifthwheel::Status::ok; }
    fifthwheel::Status read_block(uint32_t, uint8_t*) { return fifthwheel::Status::ok; }
    uint64_t now_us() const { return 0; }
};

int main() {
    Card card;
    fifthwheel::BlockWriter<Card, 512, 1000> writer(card, fifthwheel::CardSettings{});
    return writer.boot();
}
