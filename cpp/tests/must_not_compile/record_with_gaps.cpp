// A record that is not packed would put its padding on the card.
#include <fifthwheel/block.hpp>

struct Card {
    fifthwheel::Status write_block(uint32_t, const uint8_t*) { return fifthwheel::Status::ok; }
    fifthwheel::Status read_block(uint32_t, uint8_t*) { return fifthwheel::Status::ok; }
    uint64_t now_us() const { return 0; }
};
struct Gaps {
    uint32_t time;
    uint8_t a;
    uint32_t b;
};

int main() {
    Card card;
    fifthwheel::BlockWriter<Card, 512, 1024> writer(card, fifthwheel::CardSettings{});
    return writer.log(1, Gaps{}) ? 0 : 1;
}
