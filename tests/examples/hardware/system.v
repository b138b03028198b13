// The unit in a design of one's own: 64 KB of block RAM, a UART that sends what is written to D000,
// two clocks for each bus cycle, and a bench that prints each cycle and what it hears on the line.
// `carrywave netlist --verilog unit_nmos.v` writes the unit.
//
//    iverilog -g2005 -o system system.v unit_nmos.v && vvp system +image=image.hex +cycles=100
// or verilator --binary --top-module bench system.v unit_nmos.v
//    obj_dir/Vbench +image=image.hex +cycles=100
//
// image.hex has all bytes of memory from 0000 on, the vectors among them, as $readmemh reads them.
`timescale 1ns / 1ns

// Memory as an FPGA has it: the address in one clock, the byte in the next.
module block_ram (input clk, input [15:0] address, input write, input [7:0] data_in,
                  output reg [7:0] data_out);
  reg [7:0] bytes[0:65535];

  always @(posedge clk) begin
    if (write) bytes[address] <= data_in;
    data_out <= bytes[address];
  end
endmodule

// Sends a byte: a start bit, eight, a stop bit, each of DIVISOR clocks.
module uart #(parameter DIVISOR = 2) (input clk, input send, input [7:0] data, output idle,
                                      output line);
  reg [9:0] bits = 10'h3ff;
  reg [3:0] left = 0;
  reg [15:0] timer = 0;
  assign idle = left == 0, line = bits[0];

  always @(posedge clk) begin
    timer <= idle || timer == 0 ? DIVISOR - 1 : timer - 16'd1;
    if (idle && send) {left, bits} <= {4'd10, 1'b1, data, 1'b0};
    if (!idle && timer == 0) {left, bits} <= {left - 4'd1, 1'b1, bits[9:1]};
  end
endmodule

module system #(parameter DIVISOR = 2) (
    input clk, input irq_n, input nmi_n, input reset_n, output reg ready,
    output [15:0] address, output write, output [7:0] written, output [7:0] read,
    output sync, output stopped, output [2:0] clock_number,
    output [15:0] pc, output [7:0] a, x, y, sp, p, output line
);
  // In every second clock the byte is there: only these count.
  initial ready = 0;
  always @(posedge clk) ready <= ~ready;

  unit_nmos unit (
      .clk(clk), .ready(ready), .irq_n(irq_n), .nmi_n(nmi_n), .reset_n(reset_n),
      .data_in(read), .address(address), .data_out(written), .write(write),
      .sync(sync), .stopped(stopped), .clock_number(clock_number),
      .registers__pc(pc), .registers__a(a), .registers__x(x), .registers__y(y),
      .registers__sp(sp), .registers__p(p)
  );

  wire acts = write & ready;
  wire idle;
  wire [7:0] stored;
  block_ram ram (.clk(clk), .address(address), .write(acts), .data_in(written), .data_out(stored));
  uart #(DIVISOR) uart (.clk(clk), .send(acts && address == 16'hd000), .data(written), .idle(idle), .line(line));
  assign read = address == 16'hd001 ? {idle, 7'd0} : stored;  // bit 7: the last byte is gone
endmodule

module bench #(parameter DIVISOR = 2);
  reg clk = 0;
  wire ready, write, sync, stopped, line;
  wire [2:0] clock_number;
  wire [15:0] address, pc;
  wire [7:0] written, read, a, x, y, sp, p;
  reg [8*256-1:0] image;
  reg [7:0] heard;
  integer cycles, count = 0;

  system #(DIVISOR) dut (clk, 1'b1, 1'b1, 1'b1, ready, address, write, written, read, sync, stopped,
                         clock_number, pc, a, x, y, sp, p, line);

  initial begin
    if ($value$plusargs("image=%s", image)) $readmemh(image, dut.ram.bytes);
    if (!$value$plusargs("cycles=%d", cycles)) cycles = 100;
  end

  always #5 clk = ~clk;

  always @(negedge line) begin
    #(5 * DIVISOR);
    repeat (8) #(10 * DIVISOR) heard = {line, heard[7:1]};
    $display("sent %h", heard);
  end

  always @(posedge clk)
    if (ready) begin
      $display("%h %b %h %b%b %h %h %h %h %h %h %h", address, write, write ? written : read,
               sync, stopped, clock_number, pc, a, x, y, sp, p);
      count <= count + 1;
      if (count + 1 == cycles) $finish;
    end
endmodule
