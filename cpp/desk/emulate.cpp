// The boards of a car as one host program in virtual time: firmware.hpp on emulated machines, joined by a
// wire.
//
// `fifthwheel emulate` writes the orders (a line for each: a word and what belongs to it) and builds this
// with the car's generated headers. The same orders give the same bytes. Events happen at true times; a
// task's calls take no time, but for what the card takes.
#include <stdint.h>
#include <stdio.h>

#include <chrono>
#include <fstream>
#include <memory>
#include <queue>
#include <sstream>
#include <string>
#include <thread>
#include <vector>

#include "desk_boards.hpp"
#include "firmware.hpp"
#include "machine.hpp"
#include "phone.hpp"
#include "wire.hpp"

namespace desk {

enum class Task : uint8_t { sample, serve_link, record, drive, run_card };

struct Change {
    double at;
    uint16_t setting;
    float value;
};

struct Orders {
    std::string feed, card, report, capture;
    uint32_t blocks = 0;
    uint64_t seed = 1;
    double until = 0.0, jitter = 0.0, error_rate = 0.0, pace = 0.0;
    int phone = -1;
    double rates[2] = {0.0, 0.0};
    std::vector<Trouble> troubles;
    std::vector<Trouble> dark;  // power off; subject: a board, or all
    std::vector<Change> changes;

    bool load(const char* path) {
        std::ifstream file(path);
        std::string line;
        while (std::getline(file, line)) {
            std::istringstream words(line);
            std::string key;
            words >> key;
            if (key == "feed")
                rest(words, feed);
            else if (key == "card")
                rest(words, card);
            else if (key == "report")
                rest(words, report);
            else if (key == "capture")
                rest(words, capture);
            else if (key == "blocks")
                words >> blocks;
            else if (key == "seed")
                words >> seed;
            else if (key == "until")
                words >> until;
            else if (key == "jitter")
                words >> jitter;
            else if (key == "error_rate")
                words >> error_rate;
            else if (key == "pace")
                words >> pace;
            else if (key == "phone")
                words >> phone;
            else if (key == "rates")
                words >> rates[0] >> rates[1];
            else if (key == "trouble" || key == "dark") {
                Trouble t;
                words >> t.start >> t.end >> std::ws;
                std::getline(words, t.kind, ';');
                rest(words, t.subject);
                (key == "dark" ? dark : troubles).push_back(t);
            } else if (key == "set") {
                Change c{};
                words >> c.at >> c.setting >> c.value;
                changes.push_back(c);
            }
            if (words.fail() && !words.eof()) return false;
        }
        return !feed.empty() && !card.empty();
    }

  private:
    static void rest(std::istringstream& words, std::string& to) {
        words >> std::ws;
        std::getline(words, to);
    }
};

// One board, on or off.
class Board {
  public:
    explicit Board(std::string name) : name(std::move(name)) {}
    virtual ~Board() = default;
    virtual void power(World& world, FILE* card, uint32_t blocks, double rate, uint8_t cause) = 0;
    virtual void off() = 0;
    virtual bool on() const = 0;
    // Carry out a task; the time [s] that it took.
    virtual double run(Task task, double dark) = 0;
    virtual double period(Task task) const = 0;
    virtual bool has_card() const = 0;
    virtual void received(const Burst& burst) = 0;
    virtual Machine& machine() = 0;
    virtual fifthwheel::LinkCounts counts() const = 0;
    virtual fifthwheel::ClockState clock() = 0;
    virtual uint32_t card_failures() const = 0;

    std::string name;
    Lasting lasting;
    double rate = 0.0;
};

template <typename Map>
class BoardOf final : public Board {
  public:
    using Board::Board;

    void power(World& world, FILE* card, uint32_t blocks, double clock_rate, uint8_t cause) override {
        rate = clock_rate;
        machine_ = std::make_unique<Machine>(world, lasting, card, blocks, rate, cause);
        for (size_t k = 0; k < Map::encoder_count; ++k) {
            const auto& kind = Map::encoder[k];
            for (const size_t which : {kind.angle, kind.speed, kind.turned}) {
                if (which == car::no_value) continue;
                const std::string channel = car::value_table[which];
                machine_->add_encoder(channel.substr(channel.size() - 2), kind.bits);
                break;
            }
        }
        program_ = std::make_unique<Program>(*machine_);
        machine_->card().begin(machine_->now_us(), nowhere);
        failed_ = program_->start() != Status::ok;
    }
    void off() override {
        if (program_) failures_ += program_->card_failures();
        program_.reset();
        machine_.reset();
    }
    bool on() const override { return bool(program_); }
    double run(Task task, double dark) override {
        switch (task) {
            case Task::sample:
                program_->sample();
                break;
            case Task::serve_link:
                program_->serve_link();
                break;
            case Task::record:
                program_->record();
                break;
            case Task::drive:
                program_->drive();
                break;
            case Task::run_card:
                if (failed_) break;
                machine_->card().begin(machine_->now_us(), dark);
                program_->run_card();
                return machine_->card().spent();
        }
        return 0.0;
    }
    double period(Task task) const override {
        const uint32_t us[] = {Map::sample_us, Map::link_us, Map::record_us, Map::drive_us, Map::card_us};
        return 1e-6 * us[size_t(task)] / (1.0 + rate);
    }
    bool has_card() const override { return Map::has_card; }
    void received(const Burst& burst) override {
        const uint64_t now = machine_->now_us();
        for (size_t k = 0; k < burst.bytes.size(); ++k) {
            if (burst.broken[k])
                program_->cut();
            else
                program_->received(&burst.bytes[k], 1, now);
        }
    }
    Machine& machine() override { return *machine_; }
    fifthwheel::LinkCounts counts() const override {
        return program_ ? program_->link().receiver().counts() : fifthwheel::LinkCounts();
    }
    fifthwheel::ClockState clock() override { return program_->link().clock().at(machine_->now_us()); }
    uint32_t card_failures() const override {
        return failures_ + (program_ ? program_->card_failures() : 0U);
    }

  private:
    using Program = car::Firmware<Map, Machine>;
    std::unique_ptr<Machine> machine_;
    std::unique_ptr<Program> program_;
    uint32_t failures_ = 0;
    bool failed_ = false;
};

struct Event {
    double at;
    uint64_t order;  // of two at one time the earlier planned comes first
    int board;
    int kind;       // a Task, or one of the below
    uint32_t life;  // of the board when it was planned
    std::shared_ptr<Burst> burst;

    bool operator<(const Event& other) const { return at != other.at ? at > other.at : order > other.order; }
};
constexpr int arrival = 10, power_on = 11, power_off = 12, phone_acts = 13;

class Desk {
  public:
    explicit Desk(const Orders& orders) : orders_(orders) {
        boards_.push_back(std::make_unique<BoardOf<First>>(first_name));
        if constexpr (two_boards) boards_.push_back(std::make_unique<BoardOf<Second>>(second_name));
        for (size_t k = 0; k < 2; ++k) {
            wires_.emplace_back(double(car::link_baud), orders.jitter, orders.error_rate,
                                orders.seed * 2 + k);
        }
        world_.troubles = orders.troubles;
        world_.chance.seed(orders.seed);
    }

    int run() {
        if (!world_.feed.load(orders_.feed.c_str())) return fail("the sensors' file cannot be read");
        card_ = fopen(orders_.card.c_str(), "r+b");
        if (card_ == nullptr) return fail("the card's file cannot be opened");
        if (!orders_.capture.empty()) capture_ = fopen(orders_.capture.c_str(), "wb");
        if (orders_.phone >= 0 && !socket_.open(uint16_t(orders_.phone)))
            return fail("the phone's port is taken");
        for (size_t b = 0; b < boards_.size(); ++b) plan(0.0, int(b), power_on);
        for (const Trouble& dark : orders_.dark) {
            for (size_t b = 0; b < boards_.size(); ++b) {
                if (dark.subject != "all" && dark.subject != boards_[b]->name) continue;
                plan(dark.start, int(b), power_off);
                plan(dark.end, int(b), power_on);
            }
        }
        plan(0.001, 0, phone_acts);
        begun_ = std::chrono::steady_clock::now();
        while (!events_.empty() && events_.top().at <= orders_.until) {
            Event event = events_.top();
            events_.pop();
            world_.now = event.at;
            take(event);
        }
        const bool written = fclose(card_) == 0;
        if (capture_ != nullptr) fclose(capture_);
        return written && report() ? 0 : fail("the results cannot be written");
    }

  private:
    static int fail(const char* why) {
        fprintf(stderr, "%s\n", why);
        return 1;
    }

    void plan(double at, int board, int kind, std::shared_ptr<Burst> burst = nullptr) {
        events_.push({at, order_++, board, kind, lives_[board], std::move(burst)});
    }

    void take(const Event& event) {
        Board& board = *boards_[size_t(event.board)];
        if (event.kind == power_on) return power_up(event.board);
        if (event.kind == power_off) {
            board.off();
            ++lives_[event.board];
            return;
        }
        if (event.kind == phone_acts) return serve_phone();
        if (event.life != lives_[event.board] || !board.on()) return;
        if (event.kind == arrival) {
            board.received(*event.burst);
            return send(event.board);
        }
        const auto task = Task(event.kind);
        const double spent = board.run(task, next_dark(board.name));
        plan(event.at + std::max(spent, board.period(task)), event.board, event.kind);
        if (task == Task::serve_link) send(event.board);
        if (task == Task::run_card && event.board == card_board_) watch(event.at);
    }

    void power_up(int b) {
        Board& board = *boards_[size_t(b)];
        if (board.on()) return;
        board.power(world_, card_, board.has_card() ? orders_.blocks : 0, orders_.rates[b],
                    board.lasting.starts > 0 ? 1 : 0);
        if (board.has_card()) card_board_ = b;
        for (int task = 0; task < 5; ++task) plan(world_.now + 1e-4 * (task + 1) + 1e-5 * b, b, task);
    }

    // What a board has sent goes over its wire to the other one.
    void send(int b) {
        if (boards_.size() < 2) return;
        for (std::vector<uint8_t>& bytes : boards_[size_t(b)]->machine().take_sent()) {
            auto burst = std::make_shared<Burst>(wires_[size_t(b)].carry(world_.now, std::move(bytes)));
            if (capture_ != nullptr && 1 - b == card_board_) {
                fwrite(burst->bytes.data(), 1, burst->bytes.size(), capture_);
            }
            plan(burst->at, 1 - b, arrival, burst);
        }
    }

    double next_dark(const std::string& name) const {
        double at = nowhere;
        for (const Trouble& dark : orders_.dark) {
            if ((dark.subject == "all" || dark.subject == name) && dark.start >= world_.now &&
                dark.start < at) {
                at = dark.start;
            }
        }
        return at;
    }

    void serve_phone() {
        plan(world_.now + 0.01, 0, phone_acts);
        Board& board = *boards_[size_t(card_board_)];
        const auto now = uint64_t(world_.now * 1e6);
        while (next_change_ < orders_.changes.size() && orders_.changes[next_change_].at <= world_.now) {
            const Change& change = orders_.changes[next_change_++];
            const std::vector<uint8_t> bytes = phone_.change(change.setting, change.value, now);
            if (board.on()) board.machine().phone_came(bytes.data(), bytes.size());
        }
        const std::vector<uint8_t> typed = socket_.read();
        if (board.on()) {
            board.machine().phone_came(typed.data(), typed.size());
            const std::vector<uint8_t> said = board.machine().take_phone();
            phone_.hear(said, now);
            socket_.write(said);
        }
        if (world_.now >= told_) {
            told_ = world_.now + orders_.until / 100.0;
            printf("progress %.4f\n", world_.now / orders_.until);
            fflush(stdout);
        }
        if (orders_.pace > 0.0) {
            std::this_thread::sleep_until(begun_ +
                                          std::chrono::duration_cast<std::chrono::steady_clock::duration>(
                                              std::chrono::duration<double>(world_.now / orders_.pace)));
        }
    }

    // How well the board with the card knows the other's clock.
    void watch(double) {
        if (boards_.size() < 2 || !boards_[0]->on() || !boards_[1]->on()) return;
        const fifthwheel::ClockState clock = boards_[size_t(card_board_)]->clock();
        if (!clock.known) return;
        const double truth = double(boards_[size_t(1 - card_board_)]->machine().now_us()) -
                             double(boards_[size_t(card_board_)]->machine().now_us());
        const double error = std::fabs(truth - double(clock.offset_us));
        clock_error_ = std::max(clock_error_, error);
        clock_bound_ = std::max(clock_bound_, double(clock.bound_us));
        clock_outside_ += error > double(clock.bound_us) ? 1 : 0;
        ++clock_looks_;
    }

    bool report() const {
        FILE* file = fopen(orders_.report.c_str(), "w");
        if (file == nullptr) return false;
        fprintf(file, "{\n \"seconds\": %.6f,\n \"boards\": [\n", orders_.until);
        for (size_t b = 0; b < boards_.size(); ++b) {
            const Board& board = *boards_[b];
            const fifthwheel::LinkCounts counts = board.counts();
            fprintf(file,
                    "  {\"name\": \"%s\", \"starts\": %u, \"received\": %u, \"lost\": %u, \"bad\": %u, "
                    "\"late\": %u, "
                    "\"other_layout\": %u, \"wrong_bits_sent\": %llu, \"card_failures\": %u, "
                    "\"safe_commands\": %u, "
                    "\"commands\": %u, \"stale_drives\": %u}%s\n",
                    board.name.c_str(), unsigned(board.lasting.starts), counts.received, counts.lost,
                    counts.bad, counts.late, counts.other_layout,
                    static_cast<unsigned long long>(wires_[b].hits()), board.card_failures(),
                    board.lasting.safe_commands, board.lasting.bold_commands, board.lasting.stale_drives,
                    b + 1 < boards_.size() ? "," : "");
        }
        fprintf(file,
                " ],\n \"clock\": {\"looks\": %u, \"worst_error_us\": %.3f, \"worst_bound_us\": %.3f, "
                "\"outside\": %u},\n \"answers\": [",
                clock_looks_, clock_error_, clock_bound_, clock_outside_);
        for (size_t k = 0; k < phone_.answers.size(); ++k) {
            const Answer& answer = phone_.answers[k];
            fprintf(file, "%s{\"setting\": %u, \"status\": %u, \"value\": %.9g}", k > 0 ? ", " : "",
                    unsigned(answer.setting), unsigned(answer.status),
                    answer.value == answer.value ? double(answer.value) : 0.0);
        }
        fprintf(file, "]\n}\n");
        return fclose(file) == 0;
    }

    const Orders& orders_;
    World world_;
    std::vector<std::unique_ptr<Board>> boards_;
    std::vector<Wire> wires_;
    std::priority_queue<Event> events_;
    Phone phone_;
    Socket socket_;
    FILE* card_ = nullptr;
    FILE* capture_ = nullptr;
    uint64_t order_ = 0;
    uint32_t lives_[2] = {0, 0};
    int card_board_ = 0;
    size_t next_change_ = 0;
    double told_ = 0.0;
    double clock_error_ = 0.0, clock_bound_ = 0.0;
    uint32_t clock_outside_ = 0, clock_looks_ = 0;
    std::chrono::steady_clock::time_point begun_;
};

}  // namespace desk

int main(int count, char** words) {
    desk::Orders orders;
    if (count != 2 || !orders.load(words[1])) {
        fprintf(stderr, "the orders cannot be read\n");
        return 1;
    }
    static desk::Desk desk(orders);
    return desk.run();
}
