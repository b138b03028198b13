"""What the specification defines in SMT-LIB before it speaks of instructions: flags, sums, digits.

The theory's predicates have no carry-in: a sum with one is two sums, signed overflow is that of
just one of them, unsigned that of either. For digits above 9 the makers define nothing.

Sources: Eyes & Lichty, *Programming the 65816*, chapter 13; B. Clark, *Decimal Mode*, from memory.
"""

from typing import Final

PRELUDE: Final = """
(define-fun bit ((f Bool)) (_ BitVec 1) (ite f #b1 #b0))
(define-fun one ((f Bool)) (_ BitVec 8) (ite f #x01 #x00))
(define-fun negative ((r (_ BitVec 8))) Bool (bvslt r #x00))
(define-fun zero ((r (_ BitVec 8))) Bool (= r #x00))
(define-fun bit7 ((r (_ BitVec 8))) Bool (= ((_ extract 7 7) r) #b1))
(define-fun bit6 ((r (_ BitVec 8))) Bool (= ((_ extract 6 6) r) #b1))
(define-fun bit3 ((r (_ BitVec 8))) Bool (= ((_ extract 3 3) r) #b1))
(define-fun bit2 ((r (_ BitVec 8))) Bool (= ((_ extract 2 2) r) #b1))
(define-fun bit1 ((r (_ BitVec 8))) Bool (= ((_ extract 1 1) r) #b1))
(define-fun bit0 ((r (_ BitVec 8))) Bool (= ((_ extract 0 0) r) #b1))
(define-fun status ((n Bool) (v Bool) (b Bool) (d Bool) (i Bool) (z Bool) (c Bool)) (_ BitVec 8)
  (concat (concat (concat (bit n) (bit v)) (concat #b1 (bit b)))
          (concat (concat (bit d) (bit i)) (concat (bit z) (bit c)))))

; A + M + C, and A - M - (1 - C) with C = NOT borrow
(define-fun sum ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) (_ BitVec 8)
  (bvadd (bvadd a m) (one c)))
(define-fun sum.c ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) Bool
  (or (bvuaddo a m) (bvuaddo (bvadd a m) (one c))))
(define-fun sum.v ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) Bool
  (xor (bvsaddo a m) (bvsaddo (bvadd a m) (one c))))
(define-fun difference ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) (_ BitVec 8)
  (bvsub (bvsub a m) (one (not c))))
(define-fun difference.c ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) Bool
  (not (or (bvusubo a m) (bvusubo (bvsub a m) (one (not c))))))
(define-fun difference.v ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) Bool
  (xor (bvssubo a m) (bvssubo (bvsub a m) (one (not c)))))

; Packed decimal, in twelve bits and two's complement: room for every step
(define-fun low.digit ((r (_ BitVec 8))) (_ BitVec 12) (concat #x00 ((_ extract 3 0) r)))
(define-fun high.digit ((r (_ BitVec 8))) (_ BitVec 12)
  (concat #x0 (concat ((_ extract 7 4) r) #x0)))
(define-fun wide ((f Bool)) (_ BitVec 12) (concat #x0 (one f)))
(define-fun byte ((s (_ BitVec 12))) (_ BitVec 8) ((_ extract 7 0) s))
(define-fun low.sum ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) (_ BitVec 12)
  (let ((s (bvadd (bvadd (low.digit a) (low.digit m)) (wide c))))
    (ite (bvuge s #x00A) (bvadd (bvand (bvadd s #x006) #x00F) #x010) s)))
(define-fun half.sum ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) (_ BitVec 12)
  (bvadd (bvadd (high.digit a) (high.digit m)) (low.sum a m c)))
(define-fun decimal.sum ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) (_ BitVec 12)
  (let ((s (half.sum a m c))) (ite (bvuge s #x0A0) (bvadd s #x060) s)))
(define-fun decimal.sum.c ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) Bool
  (bvuge (decimal.sum a m c) #x100))
(define-fun half.sum.v ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) Bool
  (xor (bvsaddo (byte (high.digit a)) (byte (high.digit m)))
       (bvsaddo (bvadd (byte (high.digit a)) (byte (high.digit m))) (byte (low.sum a m c)))))
(define-fun low.difference ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) (_ BitVec 12)
  (bvsub (bvsub (low.digit a) (low.digit m)) (wide (not c))))
(define-fun nmos.difference ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) (_ BitVec 8)
  (let ((l (low.difference a m c)))
  (let ((l (ite (bvslt l #x000) (bvsub (bvand (bvsub l #x006) #x00F) #x010) l)))
  (let ((s (bvadd (bvsub (high.digit a) (high.digit m)) l)))
    (byte (ite (bvslt s #x000) (bvsub s #x060) s))))))
(define-fun cmos.difference ((a (_ BitVec 8)) (m (_ BitVec 8)) (c Bool)) (_ BitVec 8)
  (let ((s (bvsub (bvsub (concat #x0 a) (concat #x0 m)) (wide (not c)))))
  (let ((s (ite (bvslt s #x000) (bvsub s #x060) s)))
    (byte (ite (bvslt (low.difference a m c) #x000) (bvsub s #x006) s)))))
"""
