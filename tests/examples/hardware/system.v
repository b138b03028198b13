// The unit in a design of one's own: 64 KB of block RAM, two clocks for each bus cycle, and a bench
// that prints each cycle. `carrywave netlist --verilog unit_nmos.v` writes the unit.
//
//    iverilog -g2005 -o system system.v unit_nmos.v && vvp system +image=image.hex +cycles=100
// or verilator --binary --top-module bench system.v unit_nmos.v
//    obj_dir/Vbench +image=image.hex +cycles=100
//
// image.hex has all bytes of memory from 0000 on, the vectors among them, as $readmemh reads them.
`timescale 1ns / 1ns

// Memory as an FPGA has it: the address in one clock, the byte in the next.
module block_ram (
    input clk,
    input [15:0] address,
    input write,
    input [7:0] data_in,
    output reg [7:0] data_out
);
  reg [7:0] bytes[0:65535];

  always @(posedge clk) begin
    if (write) bytes[address] <= data_in;
    data_out <= bytes[address];
  end
endmodule

module system (
    input clk,
    input irq_n,
    input nmi_n,
    input reset_n,
    output reg ready,
    output [15:0] address,
    output write,
    output [7:0] written,
    output [7:0] read,
    output sync,
    output stopped,
    output [2:0] clock_number,
    output [15:0] pc,
    output [7:0] a, x, y, sp, p
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

  block_ram ram (
      .clk(clk), .address(address), .write(write & ready), .data_in(written), .data_out(read)
  );
endmodule

module bench;
  reg clk = 0;
  wire ready, write, sync, stopped;
  wire [2:0] clock_number;
  wire [15:0] address, pc;
  wire [7:0] written, read, a, x, y, sp, p;
  reg [8*256-1:0] image;
  integer cycles, count = 0;

  system dut (
      .clk(clk), .irq_n(1'b1), .nmi_n(1'b1), .reset_n(1'b1), .ready(ready),
      .address(address), .write(write), .written(written), .read(read),
      .sync(sync), .stopped(stopped), .clock_number(clock_number),
      .pc(pc), .a(a), .x(x), .y(y), .sp(sp), .p(p)
  );

  initial begin
    if ($value$plusargs("image=%s", image)) $readmemh(image, dut.ram.bytes);
    if (!$value$plusargs("cycles=%d", cycles)) cycles = 100;
  end

  always #5 clk = ~clk;

  always @(posedge clk)
    if (ready) begin
      $display("%h %b %h %b%b %h %h %h %h %h %h %h", address, write, write ? written : read,
               sync, stopped, clock_number, pc, a, x, y, sp, p);
      count <= count + 1;
      if (count + 1 == cycles) $finish;
    end
endmodule
