// A record must lie whole in a block.
#include <fifthwheel/block.hpp>

struct Card {
    fifthwheel::Status write_block(uint32_t, const uint8_t*) { return fifthwheel::Status::ok; }
    fifthwheel::Status read_block(uint32_t, uint8_t*) { return fifthwheel::Status::ok; }
    uint64_t now_us() const { return 0; }
};
#pragma pack(push, 1)
struct Wide {
    uint32_t time;
    uint8_t rest[512];
};
#pragma pack(pop)

int main() {
    Card card;
    fifthwheel::BlockWriter<Card, 512, 1024> writer(card, fifthwheel::CardSettings{});
    return writer.log(1, Wide{}) ? 0 : 1;
}
