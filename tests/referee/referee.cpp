// A small electric car driven through a plan, as an independent referee of what fifthwheel estimates.
//
// It shares no code and no tyre law with the package or its demo: Magic Formula slip forces behind
// first-order relaxation lengths, pitch and roll as sprung masses that pass the load transfer on, a
// saturating tyre growth, a radius that gives with load, gusts, a road with long waves. Reads "name value"
// lines and "phase ..." lines, writes rows of raw doubles.
//
// Axes as ISO 8855: x forward, y left, z up; psi anticlockwise; theta nose-up positive, phi right side down
// positive.
#include <algorithm>
#include <cmath>
#include <cstdint>
#include <cstdio>
#include <iostream>
#include <map>
#include <sstream>
#include <string>
#include <vector>

namespace {

constexpr double kGravity = 9.80665;  // standard acceleration of gravity (3rd CGPM, 1901)
constexpr double kStep = 0.0002;      // integration step [s]
constexpr int kPerRow = 5;            // steps per row: rows at 1 kHz
constexpr int kColumns = 40;

class Noise {  // xorshift64* with Box-Muller: the same numbers on every machine
  public:
    explicit Noise(std::uint64_t seed) : state_(seed * 0x9E3779B97F4A7C15ull + 0x1234567ull) {
        for (int k = 0; k < 8; ++k) next();
    }
    double normal() {
        const double u = (static_cast<double>(next() >> 11) + 0.5) / 9007199254740992.0;
        const double w = (static_cast<double>(next() >> 11) + 0.5) / 9007199254740992.0;
        return std::sqrt(-2.0 * std::log(u)) * std::cos(6.283185307179586 * w);
    }

  private:
    std::uint64_t next() {
        state_ ^= state_ >> 12;
        state_ ^= state_ << 25;
        state_ ^= state_ >> 27;
        return state_ * 0x2545F4914F6CDD1Dull;
    }
    std::uint64_t state_;
};

struct Phase {
    std::string pedal, wheel;
    double level, steer, time, above, below, metres, heading;
};

struct Wheel {
    double x, y;
    bool front;
    double radius, growth, w = 0, turned = 0, kappa = 0, alpha = 0, slip = 0, load = 0, fx = 0, fy = 0;
};

struct Car {
    std::map<std::string, double> p;
    double at(const std::string& name) const {
        const auto found = p.find(name);
        if (found == p.end()) {
            std::cerr << "referee: parameter missing: " << name << "\n";
            std::exit(2);
        }
        return found->second;
    }
};

struct Body {
    double x = 0, y = 0, psi = 0, u = 0, v = 0, r = 0, s = 0;
    double theta = 0, dtheta = 0, phi = 0, dphi = 0, ax = 0, ay = 0;
    double steer = 0, throttle = 0, brake = 0, power = 0, current = 0;
    double gust_x = 0, gust_y = 0, tremble = 0, squeeze = 0;
};

class Referee {
  public:
    explicit Referee(const Car& car)
        : c_(car),
          mass_(c_.at("mass")),
          base_(c_.at("wheelbase")),
          noise_(static_cast<std::uint64_t>(c_.at("seed"))) {
        const double a = base_ * (1.0 - c_.at("front_share")), b = base_ * c_.at("front_share");
        const double tf = 0.5 * c_.at("track_front"), tr = 0.5 * c_.at("track_rear");
        const double xs[4] = {a, a, -b, -b}, ys[4] = {tf, -tf, tr, -tr};
        const char* names[4] = {"radius_fl", "radius_fr", "radius_rl", "radius_rr"};
        for (int k = 0; k < 4; ++k) {
            wheels_[k].x = xs[k];
            wheels_[k].y = ys[k];
            wheels_[k].front = k < 2;
            wheels_[k].radius = c_.at(names[k]);
            wheels_[k].growth = c_.at(k < 2 ? "growth_front" : "growth_rear");
        }
        load_constants();
    }

    void run(const std::vector<Phase>& phases) {
        for (std::size_t number = 0; number < phases.size(); ++number) {
            const Phase& phase = phases[number];
            aim(phase);
            double elapsed = 0.0;
            const double from = b_.s;
            while (elapsed < phase.time && b_.u <= phase.above && b_.u >= phase.below &&
                   b_.s - from < phase.metres) {
                if (phase.wheel == "turn" &&
                    std::fabs(std::remainder(b_.psi - phase.heading, 6.283185307179586)) < 0.12)
                    break;
                row(phase, elapsed, static_cast<double>(number));
                elapsed += kStep * kPerRow;
                if (phase.pedal == "brake" && resting()) break;
            }
            if (phase.wheel == "turn") line_heading_ = nearest(phase.heading);
        }
        std::fwrite(out_.data(), sizeof(double), out_.size(), stdout);
    }

  private:
    void load_constants() {
        share_ = c_.at("front_share");
        h_ = c_.at("cg_height");
        mu_ = c_.at("friction");
        cp_ = c_.at("pitch_compliance");
        cr_ = c_.at("roll_compliance");
        wp_ = 6.283185307179586 * c_.at("pitch_hertz");
        wr_ = 6.283185307179586 * c_.at("roll_hertz");
        zeta_ = c_.at("suspension_damping");
        shape_ = c_.at("tyre_shape");
        kp_ = c_.at("peak_slip");
        ap_ = c_.at("peak_angle");
        relax_ = c_.at("relaxation");
        stiff_ = std::tan(1.5707963267948966 / shape_);
        sens_ = c_.at("load_sensitivity");
        give_ = c_.at("radius_give");
        iw_ = c_.at("wheel_inertia");
        rotor_ = c_.at("rotor_on_wheel");
        crr_ = c_.at("rolling");
        crr_v_ = c_.at("rolling_speed");
        idle_ = c_.at("idle_torque");
        rho_ = c_.at("air_density");
        cda_ = c_.at("drag_area");
        cla_ = c_.at("lift_area");
        cya_ = c_.at("side_area");
        torque_ = c_.at("max_torque");
        watts_ = c_.at("max_power");
        noload_ = c_.at("no_load_speed");
        drives_ = static_cast<int>(c_.at("drives"));  // 1 rear, 2 front, 3 all
        bf_ = c_.at("brake_front");
        br_ = c_.at("brake_rear");
        growth_at_ = c_.at("growth_at");
        iz_ = c_.at("yaw_inertia");
        gust_ = c_.at("gust");
        gust_time_ = c_.at("gust_time");
        wind_x_ = c_.at("wind_along");
        wind_y_ = c_.at("wind_across");
        slope_ = c_.at("slope");
        cross_ = c_.at("cross_slope");
        wave_ = c_.at("wave");
        wave_k_ = 6.283185307179586 / c_.at("wave_length");
        servo_ = c_.at("servo_lag");
        cap_ = c_.at("slip_cap");
        ramp_ = c_.at("throttle_ramp");
        hand_ = c_.at("hand");
    }

    bool driven(const Wheel& w) const { return w.front ? (drives_ & 2) != 0 : (drives_ & 1) != 0; }
    bool resting() const {
        return b_.u == 0.0 && wheels_[0].w == 0.0 && wheels_[1].w == 0.0 && wheels_[2].w == 0.0 &&
               wheels_[3].w == 0.0;
    }
    // a heading of 1000 or more means "as it points"
    double nearest(double heading) const {
        return heading >= 1000.0 ? b_.psi : b_.psi + std::remainder(heading - b_.psi, 6.283185307179586);
    }

    void aim(const Phase& phase) {
        line_x_ = b_.x;
        line_y_ = b_.y;
        line_heading_ = nearest(phase.heading);
        begin_speed_ = b_.u;
    }

    // The driver's hands at 1 kHz: throttle and brake with a hand's lag and tremble, steering along the line.
    void drive(const Phase& phase, double elapsed) {
        const double dt = kStep * kPerRow;
        b_.tremble += -b_.tremble * 3.0 * dt + hand_ * std::sqrt(6.0 * dt) * noise_.normal();
        b_.squeeze += -b_.squeeze * 4.0 * dt + 0.05 * std::sqrt(8.0 * dt) * noise_.normal();
        const double rim = noload_ * wheels_[3].radius;
        const double angle = b_.u > 1.0 ? std::fabs(std::atan2(b_.v, b_.u)) : 0.0;
        const bool straight = phase.wheel == "line";
        const double calm = straight ? std::clamp(1.4 - angle / 0.12 - std::fabs(b_.r) / 1.5, 0.0, 1.0) : 1.0;
        double throttle = 0.0, brake = 0.0;
        if (phase.pedal == "launch") {
            const double more =
                calm * (cap_ * phase.level * (1.0 + b_.squeeze) * std::max(b_.u, 0.0) + 0.045 * rim + 0.3);
            const double held = (std::max(b_.u, 0.0) + more) / rim;
            throttle = std::min({1.0, held, 0.05 + ramp_ * elapsed + begin_speed_ / rim});
        } else if (phase.pedal == "full") {
            throttle = std::min(1.0, b_.throttle + 0.05);
        } else if (phase.pedal == "hold") {
            throttle = std::clamp((b_.u + 1.5 * (phase.level - b_.u)) / rim + 0.02, 0.0, 1.0);
        } else if (phase.pedal == "brake") {
            brake = std::clamp(phase.level * (1.0 + b_.squeeze), 0.0, 1.3) * (0.3 + 0.7 * calm);
        } else if (phase.pedal == "rest") {
            brake = 0.2;
        }
        const double lag = std::min(1.0, dt / 0.03);
        b_.throttle += (throttle - b_.throttle) * lag;
        b_.brake += (brake - b_.brake) * lag;
        if (throttle == 0.0 && b_.throttle < 0.003) b_.throttle = 0.0;
        if (brake == 0.0 && b_.brake < 0.003) b_.brake = 0.0;
        double steer = 0.0;
        if (phase.pedal == "rest") {
            steer = 0.0;
        } else if (phase.wheel == "line") {
            const double aside =
                -(b_.x - line_x_) * std::sin(line_heading_) + (b_.y - line_y_) * std::cos(line_heading_);
            const double side = b_.u > 1.0 ? std::atan2(b_.v, b_.u) : 0.0;
            const double ahead = 1.8 + 0.6 * std::max(b_.u, 0.0);
            steer = -2.0 * base_ * (aside + ahead * (b_.psi + side - line_heading_)) / (ahead * ahead);
            steer += -0.05 * b_.r + 0.7 * side + b_.tremble * (b_.u > 12.0 ? 0.5 : 1.0);
        } else {
            steer = phase.steer * std::min(1.0, elapsed / 0.05) + 0.25 * b_.tremble;
            line_x_ = b_.x;
            line_y_ = b_.y;
        }
        command_ = std::clamp(steer, -0.5, 0.5);
    }

    void row(const Phase& phase, double elapsed, double number) {
        drive(phase, elapsed);
        const double dt = kStep * kPerRow;
        const double decay = std::exp(-dt / gust_time_), kick = gust_ * std::sqrt(1.0 - decay * decay);
        b_.gust_x = b_.gust_x * decay + kick * noise_.normal();
        b_.gust_y = b_.gust_y * decay + kick * noise_.normal();
        double sum_ax = 0.0, sum_ay = 0.0;
        const double psi = b_.psi, theta = b_.theta, phi = b_.phi;
        if (resting() && b_.throttle <= 0.0) {
            settle();
        } else {
            const double before = b_.u;
            for (int k = 0; k < kPerRow; ++k) {
                step();
                sum_ax += b_.ax;
                sum_ay += b_.ay;
            }
            const bool stopping = phase.pedal == "brake" || phase.pedal == "rest";
            // a car that slides sideways has not stopped
            if (stopping && b_.u < 0.02 && before >= b_.u && std::fabs(b_.v) < 0.05) stop();
        }
        write(number, sum_ax / kPerRow, sum_ay / kPerRow, (b_.psi - psi) / dt, (b_.theta - theta) / dt,
              (b_.phi - phi) / dt);
        now_ += dt;
    }

    void stop() {
        b_.u = b_.v = b_.r = 0.0;
        for (Wheel& w : wheels_) w.w = w.kappa = w.alpha = w.slip = 0.0;
    }

    void settle() {  // at rest: only the body rocks on its springs
        b_.ax = b_.ay = b_.power = b_.current = 0.0;
        for (int k = 0; k < kPerRow; ++k) spring();
        b_.steer += (command_ - b_.steer) * std::min(1.0, kStep * kPerRow / servo_);
    }

    void spring() {
        b_.dtheta += kStep * (wp_ * wp_ * (cp_ * b_.ax - b_.theta) - 2.0 * zeta_ * wp_ * b_.dtheta);
        b_.theta += kStep * b_.dtheta;
        b_.dphi += kStep * (wr_ * wr_ * (cr_ * b_.ay - b_.phi) - 2.0 * zeta_ * wr_ * b_.dphi);
        b_.phi += kStep * b_.dphi;
    }

    double uphill() const {
        const double along = slope_ + wave_ * std::sin(wave_k_ * b_.x);
        return along * std::cos(b_.psi) + cross_ * std::sin(b_.psi);
    }
    double lean() const {  // slope towards the left, as an angle of the ground
        const double along = slope_ + wave_ * std::sin(wave_k_ * b_.x);
        return -along * std::sin(b_.psi) + cross_ * std::cos(b_.psi);
    }

    void step() {
        b_.steer += (command_ - b_.steer) * (kStep / servo_);
        spring();
        const double wx = wind_x_ + b_.gust_x, wy = wind_y_ + b_.gust_y;
        const double head = b_.u - (wx * std::cos(b_.psi) + wy * std::sin(b_.psi));
        const double side = b_.v - (-wx * std::sin(b_.psi) + wy * std::cos(b_.psi));
        const double air = std::sqrt(head * head + side * side);
        const double drag = 0.5 * rho_ * cda_ * air * head;
        const double lift = 0.5 * rho_ * cla_ * head * head;
        const double pushed = -0.5 * rho_ * cya_ * air * side;
        // the springs and dampers carry the load transfer
        const double felt_x = (b_.theta + 2.0 * zeta_ / wp_ * b_.dtheta) / cp_;
        const double felt_y = (b_.phi + 2.0 * zeta_ / wr_ * b_.dphi) / cr_;
        const double weight = mass_ * kGravity + lift;
        const double shift = mass_ * h_ * felt_x / base_;
        double fx = -drag - mass_ * kGravity * std::sin(uphill()),
               fy = pushed - mass_ * kGravity * std::sin(lean());
        double mz = 0.0;
        const double fronts = std::max(weight * share_ - shift, 0.0),
                     rears = std::max(weight * (1.0 - share_) + shift, 0.0);
        b_.power = 0.0;
        b_.current = 0.0;
        for (Wheel& w : wheels_) {
            const double axle = w.front ? fronts : rears;
            const double across = 0.5 * mass_ * h_ * felt_y / (2.0 * std::fabs(w.y));
            w.load = std::max(0.5 * axle + (w.y > 0.0 ? -across : across), 0.0);
            tyre(w);
            const double d = w.front ? b_.steer : 0.0;
            const double bx = w.fx * std::cos(d) - w.fy * std::sin(d),
                         by = w.fx * std::sin(d) + w.fy * std::cos(d);
            fx += bx;
            fy += by;
            mz += w.x * by - w.y * bx;
        }
        b_.ax = fx / mass_;
        b_.ay = fy / mass_;
        const double du = b_.ax + b_.r * b_.v, dv = b_.ay - b_.r * b_.u, dr = mz / iz_;
        const double um = b_.u + 0.5 * kStep * du, vm = b_.v + 0.5 * kStep * dv,
                     pm = b_.psi + 0.5 * kStep * b_.r;
        b_.x += kStep * (um * std::cos(pm) - vm * std::sin(pm));
        b_.y += kStep * (um * std::sin(pm) + vm * std::cos(pm));
        b_.s += kStep * um;
        b_.u += kStep * du;
        b_.v += kStep * dv;
        b_.psi += kStep * (b_.r + 0.5 * kStep * dr);
        b_.r += kStep * dr;
    }

    void tyre(Wheel& w) {
        const double d = w.front ? b_.steer : 0.0;
        const double px = b_.u - b_.r * w.y, py = b_.v + b_.r * w.x;
        const double vx = px * std::cos(d) + py * std::sin(d), vy = -px * std::sin(d) + py * std::cos(d);
        const double still = 0.25 * mass_ * kGravity;
        const double q = w.w * w.radius / growth_at_, grown = w.growth * 1.03 * q * q / (1.0 + 0.03 * q * q);
        const double radius = w.radius * (1.0 + grown) - give_ * (w.load - still);
        const double slide = w.w * radius - vx, speed = std::fabs(vx);
        w.kappa = (w.kappa + kStep * slide / relax_) / (1.0 + kStep * speed / relax_);
        w.alpha = (w.alpha - kStep * vy / (1.3 * relax_)) / (1.0 + kStep * speed / (1.3 * relax_));
        w.kappa = std::clamp(w.kappa, -4.0, 4.0);
        w.alpha = std::clamp(w.alpha, -1.5, 1.5);
        const double soft = std::max(0.0, 1.0 - speed / 2.0);  // a standing tyre's own damping
        const double k = w.kappa + 0.002 / relax_ * soft * slide, a = w.alpha - 0.002 / relax_ * soft * vy;
        const double nx = k / kp_, ny = a / ap_, n = std::sqrt(nx * nx + ny * ny) + 1e-12;
        const double peak = mu_ * w.load * (1.0 - sens_ * (w.load / still - 1.0));
        const double force = std::max(peak, 0.0) * std::sin(shape_ * std::atan(stiff_ * n));
        w.fx = force * nx / n;
        w.fy = force * ny / n;
        w.slip = slide / std::max(speed, 0.5);
        turn(w, radius);
    }

    void turn(Wheel& w, double radius) {
        double torque = 0.0, inertia = iw_, held = crr_ * (1.0 + crr_v_ * std::fabs(b_.u)) * w.load * radius;
        if (driven(w)) {
            inertia += rotor_;
            const double room = (b_.throttle * noload_ - w.w) / (0.08 * noload_);
            const double share = drives_ == 3 ? 0.25 : 0.5;
            torque = share * torque_ * std::clamp(b_.throttle > 0.0 ? room : 0.0, 0.0, 1.0);
            torque = std::min(torque, share * watts_ / std::max(w.w, 1.0));
            b_.power += torque * w.w;
            b_.current += torque;
            held += share * idle_;
        }
        held += (w.front ? bf_ : br_) * b_.brake;
        const double net = torque - w.fx * radius;
        double next;
        if (w.w == 0.0) {
            next = kStep * (std::fabs(net) <= held ? 0.0 : net - std::copysign(held, net)) / inertia;
        } else {
            next = w.w + kStep * (net - std::copysign(held, w.w)) / inertia;
            if (next * w.w < 0.0) next = 0.0;
        }
        w.turned += kStep * 0.5 * (w.w + next);
        w.w = next;
    }

    void write(double number, double ax, double ay, double r, double dtheta, double dphi) {
        const double values[kColumns] = {now_ + kStep * kPerRow,
                                         number,
                                         b_.x,
                                         b_.y,
                                         b_.psi,
                                         b_.u,
                                         b_.v,
                                         b_.r,
                                         b_.s,
                                         ax,
                                         ay,
                                         b_.ax,
                                         b_.ay,
                                         r,
                                         b_.theta + uphill(),
                                         b_.phi + lean(),
                                         dtheta,
                                         dphi,
                                         b_.power,
                                         b_.current,
                                         b_.throttle,
                                         b_.brake,
                                         command_,
                                         b_.steer,
                                         wheels_[0].w,
                                         wheels_[1].w,
                                         wheels_[2].w,
                                         wheels_[3].w,
                                         wheels_[0].turned,
                                         wheels_[1].turned,
                                         wheels_[2].turned,
                                         wheels_[3].turned,
                                         wheels_[0].slip,
                                         wheels_[1].slip,
                                         wheels_[2].slip,
                                         wheels_[3].slip,
                                         b_.gust_x,
                                         uphill(),
                                         b_.theta,
                                         b_.phi};
        out_.insert(out_.end(), values, values + kColumns);
    }

    Car c_;
    double mass_, base_;
    Noise noise_;
    Wheel wheels_[4];
    Body b_;
    std::vector<double> out_;
    double now_ = 0, command_ = 0, line_x_ = 0, line_y_ = 0, line_heading_ = 0, begin_speed_ = 0;
    double h_, mu_, cp_, cr_, wp_, wr_, zeta_, shape_, kp_, ap_, relax_, stiff_, sens_, give_, iw_, rotor_,
        crr_, crr_v_, idle_;
    double rho_, cda_, cla_, cya_, torque_, watts_, noload_, bf_, br_, growth_at_, iz_, gust_, gust_time_,
        wind_x_, wind_y_;
    double share_ = 0.5;
    double slope_, cross_, wave_, wave_k_, servo_, cap_, ramp_, hand_;
    int drives_ = 1;
};

}  // namespace

int main() {
    Car car;
    std::vector<Phase> phases;
    std::string line;
    while (std::getline(std::cin, line)) {
        std::istringstream words(line);
        std::string name;
        if (!(words >> name)) continue;
        if (name == "phase") {
            Phase p;
            words >> p.pedal >> p.wheel >> p.level >> p.steer >> p.time >> p.above >> p.below >> p.metres >>
                p.heading;
            if (!words) {
                std::cerr << "referee: bad phase: " << line << "\n";
                return 2;
            }
            phases.push_back(p);
        } else {
            double value = 0.0;
            words >> value;
            car.p[name] = value;
        }
    }
    Referee(car).run(phases);
    return 0;
}
